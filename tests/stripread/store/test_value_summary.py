from pathlib import Path

from sqlalchemy import select

from calibration.chart import Chart
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import StoredReading
from stripread.store.models.value_summary import ValueSummary, decode_summary
from stripread.store.schema import RECORD_TYPES
from tests.stripread.store.histories import (
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
    with_site,
)


def test_the_value_summary_is_stored_and_verified(tmp_path: Path, sample_chart: Chart) -> None:
    store = with_site(empty_store(tmp_path))
    charts = with_chart(store, sample_chart, "A")
    photograph = photograph_of("one", NOW, point="tap", batch="A")
    reading = reading_of(photograph, {"hardness": Value(60.0), "ph": Value(7.0, u=0.1, u_chart=0.2)},
                         chart=charts["A"])
    store.photographs.put(photograph.id, b"one")
    keep(store, photograph, reading)
    with store.viewing() as connection:
        text = connection.scalars(select(RECORD_TYPES[StoredReading].table.c.value_summary)).one()
    assert decode_summary(text) == (
        ValueSummary("hardness", "measured", 60.0, 55.6174, 64.3826, 1.0),
        ValueSummary("ph", "measured", 7.0, 6.56174, 7.43826, 0.2),
    )
    assert not verify_store(store).wrong
    store.close()
