"""A store with a site's history, a technician who made it, and two reviewers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta

import msgspec
import pytest

from calibration.chart import Chart
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import StoredReading
from stripread.store.store import Store
from tests.stripread.store.histories import (
    NOW,
    Value,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)

Reader = Callable[..., str]


@pytest.fixture
def store(mill: Store, sample_chart: Chart) -> Store:
    with_chart(mill, sample_chart, "A")
    keep(mill, *(Account(id=id_, roles=("reviewer",)) for id_ in ("ruth", "omar", "ines")))
    return mill


@pytest.fixture
def read(store: Store, sample_chart: Chart) -> Reader:
    """Keeps a reading of some days after the first, with these values and flags; returns its id."""
    chart = msgspec.structs.replace(sample_chart, batch="A").id

    def one(name: str, values: Mapping[str, Value], *, day: int = 0, point: str = "tap",
            flags: tuple[str, ...] = ()) -> str:
        photograph = photograph_of(name, NOW + timedelta(days=day), point=point, batch="A")
        kept: StoredReading = reading_of(photograph, values, chart=chart)
        kept = msgspec.structs.replace(kept, reading=msgspec.structs.replace(kept.reading, flags=flags))
        keep(store, photograph, kept)
        return kept.id

    return one
