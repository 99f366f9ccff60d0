"""The treatment unit upstream of a sampling point, by one rule for trend, schedule and status."""

from __future__ import annotations

from datetime import timedelta

import pytest

from assess.treatment.unit import load_units
from stripread.intake.unit_history import is_removed, last_renewal, unit_upstream
from stripread.store.models.sites import Job, Place, SamplingPoint, Service, Unit
from tests.stripread.store.histories import ACCOUNT, NOW

UNIT = load_units()["carbon-filter"]
OLD, NEW = (Unit(id=id_, site="mill", catalogue="carbon-filter", unit=UNIT) for id_ in ("old", "new"))
AT_ONE = Unit(id="at one", site="mill", catalogue="carbon-filter", unit=UNIT, machine="m-1")


def point(place: Place = "after treatment", unit: str | None = None, machine: str | None = None) -> SamplingPoint:
    return SamplingPoint(id="p", site="mill", place=place, name="p", unit=unit, machine=machine)


@pytest.mark.parametrize(("at", "there", "removed", "before"), [
    (point(), (OLD,), (), OLD),
    (point(), (OLD, NEW), (), None),  # two units, and the point names neither
    (point(), (OLD, NEW), ("old",), NEW),  # replaced
    (point(), (OLD,), ("old",), None),
    (point(unit="old"), (OLD, NEW), ("old",), OLD),  # a unit that the point names always applies
    (point(machine="m-1"), (AT_ONE,), (), AT_ONE),
    (point(machine="m-2"), (AT_ONE,), (), None),
    (point(place="mains"), (OLD,), (), None)])
def test_a_point_is_downstream_of_the_unit_it_names_or_the_only_one(
        at: SamplingPoint, there: tuple[Unit, ...], removed: tuple[str, ...], before: Unit | None) -> None:
    assert unit_upstream(at, there, removed) == before


@pytest.mark.parametrize(("jobs", "last", "gone"), [
    ((), None, False), (("installed",), 0, False), (("installed", "cartridge changed", "inspected"), 1, False),
    (("installed", "removed"), None, True), (("installed", "removed", "inspected"), None, True),
    (("installed", "removed", "installed"), 2, False)])
def test_the_last_renewal_applies_unless_the_unit_was_removed(
        jobs: tuple[Job, ...], last: int | None, gone: bool) -> None:  # noqa: FBT001
    services = [Service(id=str(i), unit="old", at=NOW + timedelta(days=i), job=job, account=ACCOUNT)
                for i, job in enumerate(jobs)]
    assert last_renewal(services) == (None if last is None else services[last])
    assert is_removed(services) == gone
