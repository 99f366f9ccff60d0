"""Killed at random moments of adding, re-reading and backing up: a few of the many times of `make soak`."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec
import pytest

from calibration.chart import Chart, save_chart
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import open_store
from tests.bench.soak import Place, Soak, check, prepared
from tests.bench.soak_upkeep import Upkeep, with_readings

PHOTOS = ("faults/no-strip.jpg", "sites/harbour-kiosk.jpg")


@pytest.fixture
def chart(tmp_path: Path, sample_chart: Chart) -> Path:
    """The chart of the batch that the soak's photographs show."""
    path = tmp_path / "chart.json"
    save_chart(msgspec.structs.replace(sample_chart, batch="soak"), path)
    return path


@pytest.fixture
def place(tmp_path: Path, chart: Path) -> Place:
    """A store with it."""
    return prepared(tmp_path / "origin", chart)


def test_nothing_acknowledged_is_lost_and_nothing_is_half_there(place: Place, tmp_path: Path) -> None:
    """The seed is another each time: a failure names it and can be made again with it."""
    seed = random.SystemRandom().getrandbits(32)
    soak = Soak(place, random.Random(seed), photos=PHOTOS)
    try:
        soak.rounds(6, tmp_path / "work")
    except AssertionError as error:
        pytest.fail(f"seed {seed}: {error}")
    assert sum(n for what, n in soak.met.items() if what != "ended before") == 6


def test_superseding_and_backing_up_leave_nothing_half(chart: Path, tmp_path: Path) -> None:
    """One kill of each; `tests/stripread/records` kills both at moments that are chosen."""
    seed = random.SystemRandom().getrandbits(32)
    upkeep = Upkeep(with_readings(tmp_path / "origin", chart), random.Random(seed), {"reread": 3.0, "backup": 1.5})
    try:
        upkeep.rounds(2, tmp_path / "work")
    except AssertionError as error:
        pytest.fail(f"seed {seed}: {error}")


def test_the_soak_sees_what_it_looks_for(place: Place, samples: Path) -> None:
    told = place.run("readings", "take", str(samples / "sites" / "harbour-kiosk.jpg"), "--batch", "soak")
    assert "stored as reading" in told
    store = open_store(place.settings)
    check(store, (), ())
    with pytest.raises(AssertionError, match="acknowledged and is lost"):
        check(store, ["0" * 64], ())
    with pytest.raises(AssertionError, match="told and is lost"):
        check(store, (), ["another"])
    (photograph,) = store.photographs.names()
    store.photographs.remove(photograph)
    with pytest.raises(AssertionError, match="missing"):
        check(store, (), ())
    assessments = RECORD_TYPES[StoredAssessment].table
    with store.engine.begin() as connection:
        for name in connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger'").scalars().all():
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        connection.execute(assessments.delete())
    with pytest.raises(AssertionError, match="half there"):
        check(store, (), ())
    assert len(store.find(StoredReading)) == 1
    store.close()
