"""Dates of change that are in memory are those that would be computed; only changed units are computed again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import msgspec
import pytest

from assess import Equipment
from assess.limits import LimitSet, load_limits
from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.estimate import Estimate, Part
from stripread.monitoring import site_cache
from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.trend.unit_ends import Waters, ends_of, waters
from stripread.store.models.evidence import Correction, Review
from stripread.store.models.materials import OWN, OwnTerms
from stripread.store.models.record import Record
from stripread.store.models.sites import LimitAssignment, Machine, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store
from tests.loops import some
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

UNIT = Unit(id="filter", site="mill", catalogue="weak-acid-exchange", unit=load_units()["weak-acid-exchange"])
RENEWED = NOW - timedelta(days=140)


@pytest.fixture
def store(mill: Store, sample_chart: Chart) -> Store:
    """A filter whose treated water rises."""
    chart = with_chart(mill, sample_chart, "A")["A"]
    keep(mill, UNIT, Service(id="new", unit="filter", at=RENEWED, job="cartridge changed", account=ACCOUNT))
    for week in range(20):
        at, passed = RENEWED + timedelta(days=7 * week + 1), Filter(half_days=150.0).passed(7.0 * week, 200.0)
        for point, value in (("behind", passed), *((("tap", 200.0),) if week % 4 == 0 else ())):
            photograph = photograph_of(f"{point} {week}", at, point=point, batch="A")
            keep(mill, photograph, reading_of(photograph, {"alkalinity": Value(value, u=2.0)}, chart=chart))
    return mill


def now(store: Store) -> Waters:
    return waters(store, load_sites(store, Scope(), store.clock().date()))


def at_most(alkalinity: float) -> LimitSet:
    limit = next(limit for limit in load_limits().limit if limit.measure == "alkalinity")
    return msgspec.structs.replace(load_limits(), limit=(msgspec.structs.replace(limit, at_most=alkalinity),))


def changes(espresso: Equipment) -> Iterator[Record]:
    """Each may change the date."""
    corrected = Estimate(analyte="alkalinity", value=30.0, low=25.0, high=35.0, status="measured", unit="mg/L CaCO3",
                         budget=(Part(name="reviewer", u=2.5, shared=False),))
    yield Correction(id="c", reading="reading of behind 18", at=NOW, account=ACCOUNT, why="misread",
                     estimate=corrected)
    yield Review(id="r", reading="reading of behind 19", decision="rejected", why="spill", at=NOW, account=ACCOUNT)
    yield Machine(id="m", site="mill", equipment=espresso)
    yield Service(id="meter", unit="filter", at=NOW - timedelta(days=1), job="inspected", account=ACCOUNT, litres=900.0)
    yield SamplingPoint(id="behind", site="mill", place="after treatment", name="sink")
    yield msgspec.structs.replace(UNIT, unit=msgspec.structs.replace(UNIT.unit, service_months=3.0))
    yield OwnTerms(id=OWN, limits=at_most(55.0))
    yield OwnTerms(id=OWN, sets={"soft": at_most(50.0)})
    yield SamplingPoint(id="behind", site="mill", place="after treatment", name="sink",
                        limits=(LimitAssignment(since=RENEWED.date(), limits="soft"),))
    yield OwnTerms(id=OWN, sets={"soft": at_most(60.0)})
    yield Service(id="newer", unit="filter", at=NOW - timedelta(days=30), job="cartridge changed", account=ACCOUNT)


def test_dates_in_memory_are_the_computed_ones(store: Store, espresso: Equipment) -> None:
    found = [site_cache.ends_of_units(now(store), [UNIT])["filter"]]
    for record in some(changes(espresso)):
        keep(store, record)
        (unit,) = store.find(Unit)
        there = now(store)
        found.append(site_cache.ends_of_units(there, [unit])["filter"])
        assert found[-1] == tuple(ends_of(there, unit)), type(record)
    assert len(set(map(repr, found))) > len(found) / 2, "most of these records change the dates"


def test_an_unchanged_unit_is_not_computed_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    first = site_cache.ends_of_units(now(store), [UNIT])
    keep(store, Site(id="other", name="Other"), SamplingPoint(id="far", site="other", place="mains", name="tap"))

    def compute(_waters: Waters, unit: Unit) -> list[object]:
        raise AssertionError(f"computed again: {unit.id}")

    monkeypatch.setattr(site_cache, "ends_of", compute)
    assert site_cache.ends_of_units(now(store), [UNIT]) == first
