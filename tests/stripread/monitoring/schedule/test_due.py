from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from assess.equipment import load_equipment
from assess.treatment.unit import TreatmentUnit, load_units
from calibration.chart import Chart
from shared.errors import FileError
from shared.estimate import Estimate
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import SHIPPED, DueItem, load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.trend.trend import trend
from stripread.review.session import ReviewSession
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import LabResult, Origin, StoredCheckResult
from stripread.store.models.materials import Batch, Card, Phone, Qualification, Tube
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, Unit
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)

TODAY = NOW.date()
CARTRIDGE = TreatmentUnit(name="cartridge", kind="carbon-filter", capacity_litres=9000.0, service_months=12.0,
                          price=80.0, currency="EUR")


@pytest.fixture
def store(mill: Store) -> Store:
    return mill


def service(unit: str, days_ago: float, job: str = "installed", litres: float | None = None, **more: object) -> Service:
    return msgspec.convert({"id": f"{unit} {job} {days_ago}", "unit": unit, "at": NOW - timedelta(days=days_ago),
                            "job": job, "account": ACCOUNT, "litres": litres, **more}, Service)


def due(store: Store, weeks: int = 260, **scope: Any) -> dict[tuple[str, str], DueItem]:
    found = due_list(store, load_intervals(), scope=Scope(**scope), weeks=weeks)
    assert list(found.items) == sorted(found.items, key=lambda i: i.on)
    return {(i.kind, i.subject): i for i in found.items}


def read_at(store: Store, chart: str, days_ago: int, point: str = "tap", **values: float) -> None:
    photograph = photograph_of(f"{point} {days_ago}", NOW - timedelta(days=days_ago), point=point, batch="A")
    read = {analyte: Value(value) for analyte, value in (values or {"hardness": 200.0}).items()}
    keep(store, photograph, reading_of(photograph, read, chart=chart))


def test_points_are_tested_by_their_own_interval_else_by_place(store: Store, sample_chart: Chart) -> None:
    chart = with_chart(store, sample_chart, "A")["A"]
    for days_ago in (200, 20):
        read_at(store, chart, days_ago)
    keep(store, SamplingPoint(id="group", site="mill", place="at the machine", name="group", every_days=7),
         SamplingPoint(id="old", site="mill", place="mains", name="old", closed=TODAY))
    read_at(store, chart, 10, point="group")
    found = due(store)
    assert found["test", "tap"].on == TODAY + timedelta(days=90 - 20)
    assert found["test", "group"].on == TODAY - timedelta(days=3)
    assert found["test", "behind"].on == TODAY
    assert found["test", "behind"].why == "never tested"
    assert ("test", "old") not in found


def test_a_photograph_without_a_result_is_not_a_test(store: Store, sample_chart: Chart) -> None:
    chart = with_chart(store, sample_chart, "A")["A"]
    photograph = photograph_of("dark", NOW, point="tap", batch="A")
    keep(store, photograph, reading_of(photograph, {}, chart=chart))
    assert due(store)["test", "tap"].why == "never tested"


def test_a_rejected_reading_is_not_a_test(store: Store, sample_chart: Chart) -> None:
    chart = with_chart(store, sample_chart, "A")["A"]
    keep(store, *(Account(id=who, roles=("reviewer",)) for who in ("ruth", "omar")))
    for days_ago in (200, 20):
        read_at(store, chart, days_ago)
    for who, by_one, by_two in (("ruth", 200, 20), ("omar", 200, 200)):
        ReviewSession(store, who).reject("reading of tap 20", "water", "Another tap.")
        for days_ago, two in ((by_one, False), (by_two, True)):
            store.review = ReviewPolicy(two_reviewers=two)
            found = due_list(store, load_intervals(), scope=Scope(), weeks=260)
            assert f"last tested on {TODAY - timedelta(days=days_ago)}; every 90 days" in {i.why for i in found.items}


def test_a_unit_is_due_by_calendar_meter_or_demand_of_the_machine(store: Store) -> None:
    """9000 L last 150 days at 60 L per day by the meter, else as long as the machine's demand; 12 months at most."""
    machine = Machine(id="left", site="mill", equipment=load_equipment("two-boiler-espresso"))
    keep(store, machine, *(Unit(id=i, site="mill", catalogue="c", unit=CARTRIDGE, machine="left")
                           for i in ("metered", "by machine", "idle")),
         Unit(id="slow", site="mill", catalogue="c", unit=msgspec.structs.replace(CARTRIDGE, capacity_litres=None)))
    keep(store, service("metered", 100, litres=1000.0), service("metered", 50, "inspected", litres=4000.0),
         service("idle", 380, litres=0.0), service("idle", 1, "inspected", litres=1.0),
         service("by machine", 10), service("slow", 30), service("slow", 5, "cleaned"),
         service("slow", 2, "cartridge changed", struck="entered twice"))
    found = due(store)
    assert found["treatment", "metered"].on == TODAY - timedelta(days=100 - 150)
    a_day = machine.equipment.litres_per_day
    assert found["treatment", "by machine"].on == TODAY + timedelta(days=round(9000 / a_day) - 10)
    assert found["treatment", "slow"].on == TODAY + timedelta(days=365 - 30)
    assert "12 months since" in found["treatment", "slow"].why
    assert found["treatment", "idle"].on == TODAY + timedelta(days=365 - 380)


def test_a_capacity_in_equivalents_depends_on_the_mains(store: Store, sample_chart: Chart) -> None:
    """6 eq; 0.9 of 250.2 mg/L CaCO3 = 5 meq/L, with 40 % bypass: 6 / (0.9 * 0.6 * 0.005) = 2222 L."""
    chart = with_chart(store, sample_chart, "A")["A"]
    read_at(store, chart, 5, hardness=300.0, alkalinity=250.2)
    keep(store, Unit(id="filter", site="mill", catalogue="w", unit=load_units()["weak-acid-exchange"]),
         service("filter", 60, setting=0.4, litres=0.0), service("filter", 40, "inspected", litres=400.0))
    found = due(store)["treatment", "filter"]
    assert found.why.startswith("about 2222 L at 20 L per day")
    assert found.on == TODAY + timedelta(days=111 - 60)


def test_without_readings_of_the_mains_its_laboratory_result_gives_the_load(store: Store) -> None:
    """As above; the latest result counts, and a supplier's average is not a sample."""
    keep(store, Unit(id="filter", site="mill", catalogue="w", unit=load_units()["weak-acid-exchange"]),
         service("filter", 60, setting=0.4, litres=0.0), service("filter", 40, "inspected", litres=400.0))
    results: tuple[tuple[int, Origin, float, float], ...] = (
        (20, "laboratory", 150.0, 120.0), (5, "typed", 300.0, 250.2), (1, "supplier", 80.0, 60.0))
    for days_ago, origin, hardness, alkalinity in results:
        keep(store, *(LabResult(id=f"{analyte} {days_ago}", point="tap", taken=NOW - timedelta(days=days_ago),
                                analyte=analyte, value=value, origin=origin, unit="mg/L CaCO3")
                      for analyte, value in (("hardness", hardness), ("alkalinity", alkalinity))))
    found = due(store)["treatment", "filter"]
    assert found.why.startswith("about 2222 L at 20 L per day")
    assert found.on == TODAY + timedelta(days=111 - 60)


def test_removed_units_are_not_due_and_the_installation_of_an_undated_one_is_to_be_recorded(store: Store) -> None:
    keep(store, *(Unit(id=i, site="mill", catalogue="c", unit=CARTRIDGE) for i in ("gone", "unknown")))
    keep(store, service("gone", 90), service("gone", 3, "removed"))
    found = due(store)
    assert ("treatment", "gone") not in found
    assert ("treatment", "unknown") not in found
    assert found["installation", "unknown"].on == TODAY
    assert found["installation", "unknown"].what == "record when cartridge was installed"


def test_readings_of_treated_water_take_precedence_over_the_calendar(history: Store) -> None:
    found = due(history)["treatment", "filter"]
    drift = trend(history, "behind").analytes[0].drift
    assert drift is not None
    assert drift.exhaustion is not None
    assert found.on == drift.exhaustion.on
    assert found.why.startswith("total alkalinity reaches its limit of 75 mg/L CaCO3; behind the filter")


def test_strips_standards_phones_and_cards(store: Store, sample_chart: Chart) -> None:
    chart = with_chart(store, sample_chart, "A", "B")["A"]
    keep(store, Batch(id="A", strip="four pads", expires=date(2026, 5, 1), keeps_days=90),
         Tube(id="A/1", batch="A", opened=date(2026, 2, 1)),
         Tube(id="A/0", batch="A", opened=date(2025, 11, 1), finished=date(2026, 2, 1)),
         Card(id="7-1", run=7, first_used=date(2025, 4, 1)), Card(id="7-0", run=7, first_used=date(2024, 1, 1),
                                                               retired=date(2025, 4, 1)),
         *(Phone(id=i, model="Maker Model") for i in ("good", "bad", "new")), Phone(id="old", model="M", retired=TODAY))
    found_ = Estimate(analyte="hardness", value=99.0, low=95.0, high=103.0, unit="mg/L CaCO3")
    keep(store, StoredCheckResult(id="check", standard="S", analyte="hardness", known=100.0, u=1.0, account=ACCOUNT,
                            at=NOW - timedelta(days=20), found=found_, chart=chart),
         Qualification(id="q1", phone="good", outcome="qualified", at=NOW, account=ACCOUNT, until=date(2026, 9, 1)),
         Qualification(id="q2", phone="bad", outcome="not qualified", at=NOW, account=ACCOUNT))
    found = due(store)
    days = {key: item.on for key, item in found.items() if key[0] not in ("test", "treatment")}
    assert days == {
        ("batch", "A"): date(2026, 5, 1), ("tube", "A/1"): date(2026, 5, 2),
        ("check standard", "A"): TODAY + timedelta(days=10), ("phone", "good"): date(2026, 9, 1),
        ("phone", "bad"): TODAY, ("phone", "new"): TODAY, ("card", "7-1"): date(2026, 4, 1)}
    assert not {kind for kind, _ in due(store, site="mill")} - {"test", "treatment"}


def test_scope_closed_sites_and_weeks(store: Store) -> None:
    keep(store, Site(id="quay", name="Quay"), Site(id="shut", name="Shut", closed=TODAY),
         *(SamplingPoint(id=f"{site} tap", site=site, place="mains", name="tap") for site in ("quay", "shut")))
    assert {s for _, s in due(store)} == {"tap", "behind", "quay tap"}
    assert {s for _, s in due(store, group="north")} == {"tap", "behind"}
    assert {s for _, s in due(store, site="quay")} == {"quay tap"}
    keep(store, Unit(id="far", site="mill", catalogue="c", unit=CARTRIDGE), service("far", 0))
    assert ("treatment", "far") not in due(store, weeks=8)
    listed = due_list(store, load_intervals(), scope=Scope(), weeks=60)
    assert [monday.weekday() for monday, _ in listed.weeks()] == [0, 0]
    assert listed.overdue == ()


def test_the_shopping_list_contains_due_units_and_no_invented_prices(store: Store) -> None:
    """A cartridge for 80 that is changed every 12 months costs 80 a year, up to rounding to whole days."""
    priceless = msgspec.structs.replace(CARTRIDGE, name="membrane", price=None)
    slow = msgspec.structs.replace(CARTRIDGE, capacity_litres=None)
    keep(store, *(Unit(id=f"c{i}", site="mill", catalogue="c", unit=slow) for i in range(3)),
         Unit(id="m", site="mill", catalogue="m", unit=priceless))
    keep(store, service("c0", 360), service("c1", 350), service("c2", 30), service("m", 364))
    bought = due_list(store, load_intervals(), scope=Scope(), weeks=4).shopping
    cartridge, membrane = bought.lines
    assert (cartridge.name, cartridge.in_place, cartridge.to_buy, cartridge.cost) == ("cartridge", 3, 2, 160.0)
    assert cartridge.yearly == pytest.approx(240.0, rel=1 / 365)
    assert (membrane.to_buy, membrane.cost, membrane.yearly) == (1, None, None)
    (currency, total), = bought.totals().items()
    assert currency == "EUR"
    assert total == pytest.approx((160.0, 240.0), rel=1 / 365)
    assert bought.unknown == ("membrane",)


def test_intervals_can_be_replaced_by_a_file(tmp_path: Path) -> None:
    text = SHIPPED.read_text()
    file = tmp_path / "own.toml"
    file.write_text(text.replace("mains = 90", "mains = 14"))
    assert load_intervals(file).test.mains == 14
    file.write_text(text.replace("mains = 90", "mains = 0"))
    with pytest.raises(FileError, match="mains"):
        load_intervals(file)
    assert "common practice, no source" in text


def test_an_empty_store_has_nothing_due(tmp_path: Path) -> None:
    with closing(empty_store(tmp_path)) as store:
        found = due_list(store, load_intervals(), scope=Scope(), weeks=52)
    assert found.items == ()
    assert found.shopping.lines == ()
