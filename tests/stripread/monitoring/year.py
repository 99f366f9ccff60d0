"""An invented year: weekly readings at a tap and behind a filter, on three batches of strips."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np

from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.store.models.record import Record
from stripread.store.models.sites import Service, Unit
from stripread.store.store import Store
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Filter,
    empty_store,
    keep,
    photograph_of,
    read_value,
    reading_of,
    with_chart,
    with_site,
)

#: Weeks ago at which the mains rose by 50 mg/L, and days ago at which the filter was renewed.
STEP_WEEKS, RENEWED_DAYS = 30, (330, 150)
FILTER = Filter(half_days=170.0, steepness=12.0)


def mains(weeks_ago: int) -> float:
    return 200.0 if weeks_ago >= STEP_WEEKS else 250.0


def a_year(folder: Path, chart: Chart) -> Store:
    """A store that contains the year."""
    store = with_site(empty_store(folder))
    charts, rng = with_chart(store, chart, "A", "B", "C"), np.random.default_rng(3)
    unit = load_units()["weak-acid-exchange"]
    renewed = [NOW - timedelta(days=d) for d in RENEWED_DAYS]
    keep(store, Unit(id="filter", site="mill", catalogue="weak-acid-exchange", unit=unit),
         *(Service(id=f"change {i}", unit="filter", at=at, job="cartridge changed", account=ACCOUNT)
           for i, at in enumerate(renewed)))
    shared = dict(zip(charts, rng.standard_normal(3).tolist(), strict=True))
    records: list[Record] = []
    for week in range(52, 0, -1):
        at, batch = NOW - timedelta(weeks=week), "ABC"[(52 - week) // 18]
        days = min(((at - r).days for r in renewed if r <= at), default=0)
        for point, true in (("tap", mains(week)), ("behind", FILTER.passed(days, 0.8 * mains(week)))):
            photograph = photograph_of(f"{point} {week}", at, point=point, batch=batch)
            value = {"alkalinity": read_value(true if point == "behind" else 0.8 * true, rng, shared[batch])}
            more = {"hardness": read_value(true, rng, shared[batch])} if point == "tap" else {}
            records += [photograph, reading_of(photograph, {**more, **value}, chart=charts[batch])]
    keep(store, *records)
    return store
