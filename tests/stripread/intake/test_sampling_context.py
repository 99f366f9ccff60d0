"""Sampling points and machines, as people name them; strips of one tube, in order of time."""

from __future__ import annotations

from datetime import date, timedelta

import msgspec
import pytest

from assess.equipment import InstalledTreatment, load_equipment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from calibration.common_effects import SEQUENCE, DyeLoad, StripSequence
from shared.errors import FileError
from stripread.intake.sampling_context import (
    machine_for_point,
    resolve_point,
    with_installed_treatment,
    with_strips_before,
)
from stripread.reading.context import UNLIKE_CHART
from stripread.reading.result import Reading
from stripread.report.text import flag_detail
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, Review, StoredReading
from stripread.store.models.materials import Tube
from stripread.store.models.sites import Job, Machine, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store
from tests.loops import some
from tests.statements import noted_statements, selects
from tests.stripread.store.histories import ACCOUNT, NOW, Value, keep, photograph_of, reading_of, with_chart

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


#: A strip with less dye, which by itself is within two standard uncertainties.
LESS = DyeLoad(-0.10, 0.056)


class Strips:
    """Strips of batch A, one an hour, whose readings are stored as they are evaluated."""

    def __init__(self, store: Store, chart: Chart) -> None:
        self.store = store
        self.charts = with_chart(store, chart, "A", "B")
        keep(store, Account(id="other", roles=("technician", "reviewer")), Tube(id="T-1", batch="A"),
             Tube(id="T-2", batch="A"))

    def add(self, hour: int, tube: str | None = "T-1", *, account: str = ACCOUNT, dye: DyeLoad | None = LESS,
            **changes: str | tuple[str, ...]) -> StoredReading:
        """A reading of a strip used in that hour."""
        plain = photograph_of(f"{tube} {account} {hour}", NOW + timedelta(hours=hour), point="tap", batch="A")
        photograph = msgspec.structs.replace(plain, tube=tube, account=account)
        made = reading_of(photograph, {"hardness": Value(60.0)}, chart=self.charts["A"])
        judged = self.judged(photograph, msgspec.structs.replace(made.reading, dye=dye, **changes))
        stored = msgspec.structs.replace(made, reading=judged)
        keep(self.store, photograph, stored)
        return stored

    def judged(self, photograph: Photograph, reading: Reading) -> Reading:
        """A reading with the earlier strips that the store has now."""
        with self.store.viewing() as connection:
            return with_strips_before(self.store, connection, photograph, reading)

    def again(self, stored: StoredReading) -> Reading:
        """A stored reading, evaluated again."""
        return self.judged(self.store.get(Photograph, stored.photograph), stored.reading)


@pytest.fixture
def strips(mill: Store, sample_chart: Chart) -> Strips:
    return Strips(mill, sample_chart)


def unlike(readings: list[StoredReading]) -> list[bool]:
    """Which of them have the flag."""
    return [UNLIKE_CHART in stored.reading.flags for stored in readings]


def test_the_strips_of_a_tube_are_found_unlike_together(strips: Strips) -> None:
    """By Page's sum: 6 + 4 * 1.53 = 12.1 is beyond the limit of 12."""
    made = [strips.add(hour) for hour in range(6)]
    assert unlike(made) == [False, False, False, True, True, True]
    assert made[0].reading.earlier_strips is None
    earlier = made[3].reading.earlier_strips
    assert earlier is not None
    assert (earlier.tube, earlier.strips) == ("T-1", 3)
    assert earlier.difference == pytest.approx(-0.10)
    assert earlier.less == pytest.approx(6 + 3 * (0.12 * 0.10 - 0.12**2 / 2) / 0.056**2)
    assert flag_detail(UNLIKE_CHART, made[3].reading) == (
        "The latest 4 strips of tube T-1 together have 10 % less dye than the chart's strips.")
    assert [strips.again(one) for one in made] == [one.reading for one in made]


def test_a_strip_that_differs_alone_is_stated_as_such(strips: Strips) -> None:
    strips.add(0, dye=DyeLoad(0.01, 0.056))
    alone = strips.add(1, dye=DyeLoad(0.2, 0.056))
    assert unlike([alone]) == [True]
    assert flag_detail(UNLIKE_CHART, alone.reading) == (
        "This strip alone has 20 % more dye than the chart's strips (1 earlier strip of tube T-1: 1 % more dye than "
        "the chart's strips, which is within the error).")


def test_only_valid_earlier_readings_of_the_tube_on_the_chart_count(strips: Strips) -> None:
    """Of a photograph that arrives late, too: those sampled before it."""
    rejected, superseded = strips.add(0), strips.add(1)
    keep(strips.store, Review(id="r", reading=rejected.id, decision="rejected", why="wet", at=NOW, account="other"),
         msgspec.structs.replace(superseded, id="later", supersedes=superseded.id, at=NOW + timedelta(days=1),
                                 reading=msgspec.structs.replace(superseded.reading, dye=None)))
    strips.add(2, "T-2")
    strips.add(3, flags=("profile-missing",))
    strips.add(5)
    assert strips.add(4).reading.earlier_strips is None
    assert strips.again(strips.add(6)).earlier_strips == StripSequence("T-1").followed_by(LESS).followed_by(LESS)


def test_without_a_tube_the_strips_are_those_of_batch_and_technician(strips: Strips) -> None:
    for hour in some(range(0, 8, 2)):
        strips.add(hour, None, account="other")
        strips.add(hour + 1, None)
    found = strips.add(9, None).reading
    assert found.earlier_strips is not None
    assert (found.earlier_strips.tube, found.earlier_strips.strips) == (None, 4)
    assert flag_detail(UNLIKE_CHART, found) == (
        "The latest 5 strips of this batch and technician together have 10 % less dye than the chart's strips.")


def test_a_long_series_costs_as_much_as_a_tube(strips: Strips) -> None:
    """One statement besides that of the photograph, and the strips of one tube at most."""
    made = [strips.add(hour, None, dye=DyeLoad(0.0, 0.056)) for hour in range(SEQUENCE + 5)]
    with noted_statements(strips.store) as noted:
        found = strips.again(made[-1]).earlier_strips
    assert len(selects(noted)) == 2
    assert found is not None
    assert found.strips == SEQUENCE
