"""Status after changes of each kind: only changed sites are computed, and all are those of a full computation."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from msgspec.structs import replace

from assess import Assessment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.estimate import Estimate
from stripread.monitoring import site_cache, status
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.monitoring.status import overview, overview_of
from stripread.store.models.evidence import Correction, Review, SampleAssessment, StoredAssessment, StoredReading
from stripread.store.models.materials import OWN, Batch, OwnTerms
from stripread.store.models.record import Record
from stripread.store.models.sites import DecisionStep, SamplingPoint, Service, Site, TreatmentDecision, Unit
from stripread.store.schema import BY_NAME
from stripread.store.store import Store, open_store
from tests.loops import some
from tests.statements import noted_statements
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    keep,
    photograph_of,
    reading_of,
    settings_in,
    with_chart,
)
from tests.stripread.store.world import World

LATER = NOW - timedelta(days=1)


def changes(store: Store, assessment: Assessment, chart: str) -> Iterator[tuple[Record, set[str] | None]]:
    """Changes with the sites that they concern, None: all. What was moved concerns its earlier site too."""
    photograph = photograph_of("first", NOW - timedelta(days=3), point="tap", batch="A")
    reading = reading_of(photograph, {"hardness": Value(100.0)}, chart=chart)
    yield photograph, {"mill"}
    yield reading, {"mill"}
    yield StoredAssessment(id="of first", reading=reading.id, at=NOW, account=ACCOUNT, assessment=assessment), {"mill"}
    yield replace(photograph, point="quay tap"), {"mill", "quay"}
    yield Correction(id="corrected", reading=reading.id, why="misread", at=NOW, account=ACCOUNT, estimate=Estimate(
        analyte="hardness", value=90.0, low=80.0, high=100.0, unit="mg/L CaCO3")), {"mill", "quay"}
    yield SampleAssessment(id="lab", point="behind", taken=LATER, at=NOW, account=ACCOUNT, results=(),
                           assessment=assessment), {"mill"}
    unit = Unit(id="filter", site="attic", catalogue="weak-acid-exchange", unit=load_units()["weak-acid-exchange"])
    yield unit, {"attic"}
    yield Service(id="new", unit="filter", at=LATER, account=ACCOUNT, job="installed"), {"attic"}
    yield replace(unit, site="quay"), {"attic", "quay"}
    yield replace(store.get(SamplingPoint, "attic tap"), site="quay", name="second tap"), {"attic", "quay"}
    yield Batch(id="B", strip="four pads"), set()
    step = DecisionStep(state="proposed", at=NOW, account=ACCOUNT)
    yield TreatmentDecision(id="d", site="mill", what="install a filter", recommended="", steps=(step,)), {"mill"}
    yield Review(id="r", reading=reading.id, decision="rejected", why="glare", at=NOW, account=ACCOUNT), {
        "mill", "quay"}
    yield replace(store.get(Site, "attic"), closed=NOW.date()), {"attic"}
    yield Site(id="pier", name="Pier"), {"pier"}
    yield OwnTerms(id=OWN, sets={}, units=load_units()), None


@pytest.fixture
def computed(monkeypatch: pytest.MonkeyPatch) -> list[frozenset[str] | None]:
    """The sites of each computation."""
    found: list[frozenset[str] | None] = []

    def noted(store: Store, scope: Scope, *rest: object) -> SiteInventory:
        found.append(scope.sites)
        return load_sites(store, scope, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(status, "load_sites", noted)
    return found


def test_only_changed_sites_are_computed(mill: Store, tmp_path: Path, sample_chart: Chart, assessment: Assessment,
                                         computed: list[frozenset[str] | None]) -> None:
    """Another server, which has a store of its own, makes the changes."""
    chart, intervals = with_chart(mill, sample_chart, "A")["A"], load_intervals()
    keep(mill, Site(id="quay", name="Quay"), Site(id="attic", name="Attic"),
         *(SamplingPoint(id=f"{s} tap", site=s, place="mains", name="tap") for s in ("quay", "attic")))
    with closing(open_store(settings_in(tmp_path), clock=lambda: NOW)) as other:
        before = overview(mill, intervals, scope=Scope())
        assert computed == [None]
        for record, sites in some(changes(mill, assessment, chart)):
            computed.clear()
            keep(other, record)
            found = overview(mill, intervals, scope=Scope())
            assert computed == ([] if sites == set() else [sites and frozenset(sites)]), record
            assert found == overview_of(load_sites(other, Scope(), NOW.date()), other, intervals), record
            assert overview(mill, intervals, scope=Scope(group="north")).sites == tuple(
                s for s in found.sites if s.group == "north")
        assert found != before


def test_every_record_that_the_status_reads_leads_to_its_site(world: World) -> None:
    """In a store with a record of each type: a type that is read, but not followed to its site, is never updated."""
    with noted_statements(world.store) as noted:
        overview(world.store, load_intervals(), scope=Scope())
    named = {word for statement in noted for word in re.findall(r"\w+", statement.sql)}
    read = {kind.type for name, kind in BY_NAME.items() if name in named}
    followed = {*site_cache._REFERENCES, Site, OwnTerms}
    assert read - followed == set()
    assert {StoredReading, SampleAssessment, Service, TreatmentDecision, Unit, OwnTerms} <= read
