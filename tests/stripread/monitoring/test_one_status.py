"""Every command and report states the same status, date and next action of each site."""

import json
from collections.abc import Iterator
from datetime import timedelta

import msgspec
import pytest

from assess import Assessment, AssessmentSetup, assess, load_limits, sample_from_typed
from assess.equipment import load_equipment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.cli.main import run
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, overview, status_of
from stripread.report.sites.group import group_report
from stripread.report.sites.site import site_report
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import SamplingPoint, Service, Site, SiteGroup, Unit
from stripread.store.settings import Settings
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

SETTINGS, INTERVALS = Settings(database="", photographs=""), load_intervals()
#: Hardness and alkalinity, mg/L CaCO3, of waters with their verdict for a general machine.
WATERS = {"in": (60, 42), "scaling": (320, 240), "slightly hard": (130, 42), "inconclusive": (88, 72)}
#: By site: waters of the tap and of the treated water, and whether work was done on the unit since.
SITES = {"Ash": ("scaling", "in", False), "Birch": ("scaling", "scaling", False), "Cedar": ("scaling", "scaling", True),
         "Elm": ("in", "", False), "Fir": ("slightly hard", "", False), "Hazel": ("inconclusive", "", False),
         "Larch": ("", "", False), "Oak": ("scaling", "slightly hard", False)}


@pytest.fixture(scope="module")
def assessed() -> dict[str, Assessment]:
    terms = AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units=load_units())
    return {name: assess(sample_from_typed({
        "hardness": f"{hard} ± 5 mg/L CaCO3", "alkalinity": f"{alkaline} ± 4 mg/L CaCO3", "ph": "7.3 ± 0.1",
        "chloride": "12 ± 2 mg/L Cl", "chlorine": "0.02 ± 0.01 mg/L Cl2"}), terms)
        for name, (hard, alkaline) in WATERS.items()}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, sample_chart: Chart, assessed: dict[str, Assessment]
          ) -> Iterator[Store]:
    folder = tmp_path_factory.mktemp("one-status")
    made = empty_store(folder)
    chart = with_chart(made, sample_chart, "A")["A"]
    keep(made, SiteGroup(id="trees", name="Trees"))
    unit = load_units()["weak-acid-exchange"]
    for name, (tap, treated, worked) in SITES.items():
        keep(made, Site(id=name, name=name, group="trees"), SamplingPoint(
            id=f"{name} tap", site=name, place="mains", name="tap"))
        if treated:
            keep(made, Unit(id=f"{name} unit", site=name, catalogue="weak-acid-exchange", unit=unit), SamplingPoint(
                id=f"{name} outlet", site=name, place="after treatment", name="outlet", unit=f"{name} unit"),
                Service(id=f"{name} fitted", unit=f"{name} unit", at=NOW - timedelta(days=100), job="fitted",
                        account=ACCOUNT, setting=0.3))
        for point, water, days in ((f"{name} tap", tap, 9), (f"{name} outlet", treated, 20),
                                   (f"{name} outlet", treated, 8)):
            if water:
                photograph = photograph_of(f"{point} {days}", NOW - timedelta(days=days), point=point, batch="A")
                reading = reading_of(photograph, {"hardness": Value(float(WATERS[water][0]))}, chart=chart)
                keep(made, photograph, reading, StoredAssessment(
                    id=f"of {reading.id}", reading=reading.id, at=reading.at, account=ACCOUNT,
                    assessment=assessed[water]))
        if worked:
            keep(made, Service(id=f"{name} change", unit=f"{name} unit", at=NOW - timedelta(days=2),
                               job="cartridge changed", account=ACCOUNT))
    yield made
    made.close()


@pytest.fixture(scope="module")
def sites(store: Store) -> dict[str, SiteStatus]:
    return {s.site: s for s in overview(store, INTERVALS, scope=Scope()).sites}


def test_sites_are_ranked_by_verdict_severity_and_distance(sites: dict[str, SiteStatus]) -> None:
    ranks = [(s.verdict, s.site) for s in sites.values()]
    assert [v for v, _ in ranks] == sorted((v for v, _ in ranks), key=["out", "undecided", None, "in"].index)
    names = list(sites)
    assert names.index("Birch") < names.index("Oak"), "scale is more severe than the cup"
    assert names[-2:] == sorted(names[-2:])


def test_the_treated_water_is_the_headline_and_the_tap_is_below_it(sites: dict[str, SiteStatus]) -> None:
    ash = sites["Ash"]
    assert ash.water is not None
    assert ash.tap is not None
    assert (ash.verdict, ash.water.name, ash.tap.name, ash.tap.verdict) == ("in", "outlet", "tap", "out")
    assert "water" not in {item.kind for item in ash.due}, "a working unit needs no action"
    birch = sites["Birch"]
    assert birch.water is not None
    assert birch.water.since == (NOW - timedelta(days=20)).date(), "out of limits since the first of two readings"
    assert birch.next is not None
    assert (birch.next.kind, birch.next.on) == ("water", birch.water.since)


def test_work_since_the_last_reading_is_to_be_verified(sites: dict[str, SiteStatus]) -> None:
    item = sites["Cedar"].next
    assert item is not None
    assert (item.what, item.on) == ("test outlet (after treatment) to verify: cartridge changed",
                                    (NOW - timedelta(days=2)).date())


@pytest.mark.parametrize("site", SITES)
def test_schedule_and_reports_state_the_same_action(store: Store, sites: dict[str, SiteStatus], site: str) -> None:
    status = sites[site]
    assert status_of(store, INTERVALS, site) == status
    due = due_list(store, INTERVALS, scope=Scope(site=site), weeks=520)
    assert tuple(sorted(due.items, key=lambda i: i.rank)) == status.due
    assert status.next is not None
    report = msgspec.json.encode(site_report(store, SETTINGS, INTERVALS, site)).decode()
    if status.water is not None:
        assert f"Next action, due {status.next.on}: {status.next.what} (" in report
        (row,) = [r for r in _rows(store) if r[0] == site]
        assert (row[4], row[5]) == (status.next.what, f"{status.next.on}")


def test_commands_state_the_same(store: Store, sites: dict[str, SiteStatus], capsys: pytest.CaptureFixture[str],
                                 monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    monkeypatch.setattr("stripread.store.store.utc_now", lambda: NOW)
    monkeypatch.setattr("stripread.store.store.open_store.__defaults__", (lambda: NOW,))
    assert run(["sites", "status", "--group", "trees", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["sites"] == json.loads(msgspec.json.encode(tuple(sites.values())))
    assert run(["sites", "status"]) == 0
    lines = capsys.readouterr().out.splitlines()[1:]
    for status, line in zip(sites.values(), lines, strict=True):
        assert status.next is not None
        assert f"next {status.next.on}: {status.next.what}" in line


def _rows(store: Store) -> list[list[str]]:
    document = group_report(store, SETTINGS, INTERVALS, "trees")
    table = next(s for s in document.sections if s.title == "Site status").blocks[0]
    return [[cell.words for cell in row] for row in table.rows]  # type: ignore[union-attr]
