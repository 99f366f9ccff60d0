"""Trend, schedule, status and report state the same due date of a treatment unit."""

from datetime import timedelta

import msgspec
import pytest

from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.monitoring.trend.trend import trend
from stripread.report.sites.site import site_report
from stripread.report.trend import change
from stripread.store.models.sites import SamplingPoint, Service, Unit
from stripread.store.settings import Settings
from stripread.store.store import Store
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Filter,
    Value,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)

RENEWED = NOW - timedelta(days=140)
#: The hardness that passes reaches half first; it is not the first analyte of the list.
CURVES = {"alkalinity": Filter(half_days=200.0), "hardness": Filter(half_days=150.0)}


@pytest.fixture
def store(mill: Store, sample_chart: Chart) -> Store:
    """A unit with readings at two points downstream; three strips on each visit to the mains, which has two taps."""
    chart = with_chart(mill, sample_chart, "A")["A"]
    keep(mill, SamplingPoint(id="cellar", site="mill", place="mains", name="cellar"),
         SamplingPoint(id="group", site="mill", place="at the machine", name="group"))

    def read(point: str, day: float, values: dict[str, float]) -> None:
        photograph = photograph_of(f"{point} {day}", RENEWED + timedelta(days=day), point=point, batch="A")
        pads = {analyte: Value(value, u=0.02 * value, u_chart=0.02 * value) for analyte, value in values.items()}
        keep(mill, photograph, reading_of(photograph, pads, chart=chart))

    for week in range(20):
        day = 7.0 * week + 1.0
        passed = {a: c.passed(day, 250.0 if a == "hardness" else 200.0) for a, c in CURVES.items()}
        read("behind", day, passed)
        read("group", day + 1.0, {a: 0.95 * v for a, v in passed.items()})
        if week % 4 == 0:
            for strip in range(3):
                read("tap", day + strip / 1440, {"hardness": 248.0 + 2 * strip, "alkalinity": 200.0 - week})
            read("cellar", day, {"hardness": 180.0, "alkalinity": 150.0})
    # A reading of the old filter just before the change is not of the same water as one after it.
    read("behind", -0.005, {"alkalinity": 190.0, "hardness": 240.0})
    return mill


def unit(months: float | None) -> Unit:
    made = msgspec.structs.replace(load_units()["weak-acid-exchange"], service_months=months, capacity_eq=None)
    return Unit(id="filter", site="mill", catalogue="weak-acid-exchange", unit=made)


@pytest.mark.parametrize(("months", "why"), [(None, "total hardness"), (4.0, "4 months since")])
def test_all_outputs_state_the_same_due_date(store: Store, months: float | None, why: str) -> None:
    """Due by the readings; and overdue by the calendar, although the readings would allow more time."""
    keep(store, unit(months), Service(id="new", unit="filter", at=RENEWED, job="cartridge changed", account=ACCOUNT))
    due = next(i for i in due_list(store, load_intervals(), scope=Scope(), weeks=60).items if i.kind == "treatment")
    assert why in due.why
    for point in ("behind", "group"):
        found = trend(store, point)
        assert found.change is not None
        assert (found.change.on, found.change.why) == (due.on, due.why)
        assert f"{due.on}" in " ".join(change(found))
    line, = overview(store, load_intervals(), scope=Scope()).sites
    assert line.next is not None
    assert due.on >= line.next.on
    settings = Settings(database="sqlite://", photographs="photographs")
    report = msgspec.json.encode(site_report(store, settings, load_intervals(), "mill")).decode()
    assert report.count(f"by {due.on}") >= 1
    if months is None:
        days = {a.drift.exhaustion.on for p in ("behind", "group") for a in trend(store, p).analytes
                if a.drift is not None and a.drift.exhaustion is not None}
        assert len(days) > 1
        assert due.on == min(days)


def test_a_removed_unit_has_no_due_date(store: Store) -> None:
    keep(store, unit(4.0), Service(id="new", unit="filter", at=RENEWED, job="installed", account=ACCOUNT),
         Service(id="gone", unit="filter", at=NOW, job="removed", account=ACCOUNT))
    assert trend(store, "behind").change is None
    assert trend(store, "tap").change is None
