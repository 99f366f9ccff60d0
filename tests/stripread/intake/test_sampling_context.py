"""Sampling points and machines, as people name them."""

from __future__ import annotations

from datetime import date, timedelta

import msgspec
import pytest

from assess.equipment import InstalledTreatment, load_equipment
from assess.treatment.unit import load_units
from shared.errors import FileError
from stripread.intake.sampling_context import machine_for_point, resolve_point, with_installed_treatment
from stripread.store.errors import RecordsError
from stripread.store.models.sites import Job, Machine, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, NOW, keep

UNITS = load_units(None)
HEAT, STEAM = load_equipment("heat-exchanger-espresso"), load_equipment("two-boiler-espresso")


@pytest.fixture
def store(mill: Store) -> Store:
    """Mill Lane with two points and one machine; the Ferry with one point that is closed and one that is not."""
    keep(mill, Machine(id="m-1", site="mill", equipment=HEAT), Site(id="ferry", name="The Ferry"),
         Site(id="quay", name="The Quay"),
         SamplingPoint(id="f-1", site="ferry", place="mains", name="tap", closed=date(2026, 1, 1)),
         SamplingPoint(id="f-2", site="ferry", place="mains", name="tap"))
    return mill


@pytest.mark.parametrize(("site", "point", "found"), [
    (None, None, None), ("mill", "tap", "tap"), ("Mill Lane", "behind the filter", "behind"),
    ("mill", "after treatment", "behind"), (None, "behind", "behind"), ("ferry", None, "f-2"), ("fer", "tap", "f-2"),
    (None, "f-2", "f-2"), ("ferry", "f-1", "f-1"), (None, "f-1", "f-1")])
def test_a_point_is_named_by_id_or_within_its_site(store: Store, site: str | None, point: str | None,
                                                   found: str | None) -> None:
    assert resolve_point(store, site, point) == found


@pytest.mark.parametrize(("site", "point", "says"), [
    ("X", None, "no such site"), ("mill", None, "the sampling point is ambiguous; found 2 points"),
    ("mill", "X", "no such sampling point; found X; allowed: behind, tap"),
    ("ferry", "behind", "no such sampling point; found behind; allowed: f-2"), (None, "mains", "ambiguous"),
    ("quay", None, "site quay: there is no open sampling point; add one"),
    ("quay", "tap", "there is no open sampling point; found tap; add one")])
def test_an_ambiguous_name_gives_an_error_with_the_choices(store: Store, site: str | None, point: str | None,
                                                      says: str) -> None:
    with pytest.raises(RecordsError, match=says):
        resolve_point(store, site, point)


def test_the_machine_is_the_one_named_else_the_points_else_the_only_one(store: Store) -> None:
    assert machine_for_point(store, "tap", None) == ("m-1", HEAT)
    assert machine_for_point(store, "f-2", None) == (None, STEAM), "none there: the general one"
    assert machine_for_point(store, None, None) == (None, STEAM)
    assert machine_for_point(store, "f-2", "m-1") == ("m-1", HEAT)
    assert machine_for_point(store, "tap", "two-boiler-espresso") == (None, STEAM)
    with pytest.raises(FileError, match="no such machine"):
        machine_for_point(store, "tap", "X")
    keep(store, Machine(id="m-2", site="mill", equipment=STEAM))
    assert machine_for_point(store, "tap", None) == (None, STEAM), "of two none is guessed"
    keep(store, msgspec.structs.replace(store.get(SamplingPoint, "tap"), machine="m-2"))
    assert machine_for_point(store, "tap", None) == ("m-2", STEAM)
    keep(store, Machine(id="m-1", site="mill", equipment=HEAT, removed=date(2026, 1, 1)))
    assert machine_for_point(store, "behind", None) == (
        "m-2", msgspec.structs.replace(STEAM, downstream_of="a treatment unit that is not recorded")), "one was removed"


def test_only_mains_water_is_assessed_with_the_treatment(store: Store) -> None:
    unit = Unit(id="u", site="mill", catalogue="weak-acid-exchange", unit=UNITS["weak-acid-exchange"])
    keep(store, unit)
    assert machine_for_point(store, "tap", None)[1].treatment is None, "how it is set is not known"
    at = NOW - timedelta(days=30)
    done: list[tuple[Job, float | None]] = [("installed", 0.3), ("setting changed", 0.2), ("inspected", None)]
    for n, (job, setting) in enumerate(done):
        keep(store, Service(id=f"s-{n}", unit=unit.id, at=at + n * timedelta(days=1), job=job, account=ACCOUNT,
                            setting=setting))
    found = machine_for_point(store, "tap", None)[1].treatment
    assert found == InstalledTreatment(unit="weak-acid-exchange", setting=0.2, capacity_eq=unit.unit.capacity_eq)
    stated = InstalledTreatment(unit="weak-acid-exchange", setting=0.3, installed=date(2026, 1, 1))
    assert with_installed_treatment(
        store,
        Machine(id="m", site="mill", equipment=msgspec.structs.replace(STEAM, treatment=stated)),
        store.get(SamplingPoint, "tap"),
    ).treatment == msgspec.structs.replace(stated, installed=None)
    downstream = machine_for_point(store, "behind", None)[1]
    assert (downstream.treatment, downstream.downstream_of) == (None, unit.unit.name)
    assert machine_for_point(store, "tap", None)[1].downstream_of is None
    keep(store, Service(id="s-9", unit=unit.id, at=NOW, job="removed", account=ACCOUNT))
    assert machine_for_point(store, "tap", None)[1].treatment is None
    keep(store, Unit(id="v", site="mill", catalogue="carbon-filter", unit=UNITS["carbon-filter"]))
    assert machine_for_point(store, "tap", None)[1].treatment == InstalledTreatment(unit="carbon-filter")
    keep(store, Unit(id="w", site="mill", catalogue="carbon-filter", unit=UNITS["carbon-filter"]))
    assert machine_for_point(store, "tap", None)[1].treatment is None, "of two none is guessed"
