"""Reports on a site and on a group, from invented histories."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from assess import Assessment, AssessmentSetup, assess, load_limits, sample_from_typed
from assess.equipment import load_equipment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.estimate import Estimate
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.report.document.model import Document, DocumentTable, Figure, Section
from stripread.report.sites.group import group_report
from stripread.report.sites.site import site_report
from stripread.report.verdicts import VERDICT_WORDS
from stripread.review.session import ReviewSession
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import SamplingPoint, Service, Site, Unit
from stripread.store.settings import Issuer, Settings
from stripread.store.store import Store
from tests.stripread.report.conftest import words
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
    with_site,
)

SETTINGS = Settings(database="", photographs="", issuer=Issuer(name="Invented Waterworks"))
INTERVALS = load_intervals()
#: Waters by their verdict for a generic machine.
WATERS = {"within-limits": {"hardness": "60 ± 4 mg/L CaCO3", "alkalinity": "42 ± 3 mg/L CaCO3", "ph": "7.3 ± 0.1",
                 "chloride": "12 ± 2 mg/L Cl", "chlorine": "0.02 ± 0.01 mg/L Cl2"},
          "out-of-limits": {"hardness": "320 ± 9 mg/L CaCO3", "alkalinity": "240 ± 9 mg/L CaCO3", "ph": "7.5 ± 0.1",
                  "chloride": "30 ± 2 mg/L Cl", "chlorine": "0.02 ± 0.01 mg/L Cl2"}}
Reader = Callable[..., str]


@pytest.fixture(scope="module")
def judged() -> Mapping[str, Assessment]:
    terms = AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units={})
    found = {verdict: assess(sample_from_typed(water), terms) for verdict, water in WATERS.items()}
    assert {verdict: max(a.verdicts.values(), key=("within-limits", "inconclusive", "out-of-limits").index)
            for verdict, a in found.items()} == {"within-limits": "within-limits", "out-of-limits": "out-of-limits"}
    return found


@pytest.fixture
def store(tmp_path: Path, sample_chart: Chart) -> Iterator[Store]:
    made = with_site(empty_store(tmp_path, now=NOW + timedelta(days=100)))
    with_chart(made, sample_chart, "A")
    keep(made, Account(id="ruth", roles=("reviewer",)))
    yield made
    made.close()


@pytest.fixture
def read(store: Store, sample_chart: Chart, judged: Mapping[str, Assessment]) -> Reader:
    """Keeps a reading, judged so if a verdict is given; returns its id."""
    chart = msgspec.structs.replace(sample_chart, batch="A").id

    def one(name: str, hardness: float, *, day: int, point: str = "tap", verdict: str = "") -> str:
        photograph = photograph_of(name, NOW + timedelta(days=day), point=point, batch="A")
        kept = reading_of(photograph, {"hardness": Value(hardness)}, chart=chart)
        keep(store, photograph, kept)
        if verdict:
            keep(store, StoredAssessment(id=f"judged {name}", reading=kept.id, at=kept.at, account=ACCOUNT,
                                         assessment=judged[verdict]))
        return kept.id

    return one


def section(document: Document, title: str) -> Section:
    return next(s for s in document.sections if s.title.startswith(title))


def rows(part: Section) -> list[list[str]]:
    return [
        [cell.words for cell in row] for block in part.blocks if isinstance(block, DocumentTable) for row in block.rows
    ]


def test_a_site_without_a_history_is_reported_and_nothing_is_drawn(store: Store) -> None:
    document = site_report(store, SETTINGS, INTERVALS, "mill")
    assert "No valid readings yet" in words(section(document, "Current status"))
    assert "No valid reading of this site has been assessed" in words(section(document, "Assessment"))
    assert not any(isinstance(block, Figure) for part in document.sections for block in part.blocks)
    assert "never tested" in words(section(document, "Due until"))


def test_a_site_shows_state_verdict_plan_history_treatment_and_what_is_due(store: Store, read: Reader) -> None:
    keep(store, Unit(id="filter", site="mill", catalogue="carbon-filter", unit=load_units()["carbon-filter"]),
         Service(id="s", unit="filter", at=NOW, job="installed", account=ACCOUNT, litres=120.0))
    for week in range(6):
        read(f"tap {week}", 250.0 + week, day=7 * week)
    last = read("behind", 320.0, day=40, point="behind", verdict="out-of-limits")
    ReviewSession(store, "ruth").correct(last, Estimate(
        analyte="hardness", value=301.0, low=291.0, high=311.0, unit="mg/L CaCO3"), "Titrated.")
    document = site_report(store, SETTINGS, INTERVALS, "mill")
    assert [s.title.partition(":")[0] for s in document.sections] == [
        "Current status", "Assessment", "Actions", "Trend", "Trend", "Treatment", "Due until 2026-08-05"]
    (state,) = rows(section(document, "Current status"))
    assert state == ["total hardness", "255.0 mg/L CaCO3 (250.6 to 259.4), 2026-04-06",
                     "301 mg/L CaCO3 (291 to 311), 2026-04-11, corrected by a reviewer"]
    meant = section(document, "Assessment")
    assert meant.edge == "bad"
    assert "Out of limits: scale" in words(meant)
    assert "permitted 40 to 90" in words(meant)
    assert "licensed" in words(section(document, "Actions"))
    (drawn,) = [b for b in section(document, "Trend: Mill Lane, tap").blocks if isinstance(b, Figure)]
    assert len(drawn.plot.dots) == 6
    assert rows(section(document, "Treatment"))[0][1:5] == ["2026-03-02", "installed", "", "120 L"]
    assert document.about.endswith("Issued by Invented Waterworks.")
    assert site_report(store, SETTINGS, INTERVALS, "mill") == document


def test_rejected_readings_do_not_count_and_are_reported(store: Store, read: Reader) -> None:
    read("good", 60.0, day=0, verdict="within-limits")
    bad = read("bad", 320.0, day=7, verdict="out-of-limits")
    ReviewSession(store, "ruth").reject(bad, "water", "Drawn at the neighbour's.")
    document = site_report(store, SETTINGS, INTERVALS, "mill")
    assert section(document, "Assessment").edge == "good"
    assert "320" not in words(section(document, "Current status"))
    assert "Drawn at the neighbour's." in words(section(document, "Rejected or withdrawn"))
    assert "1 of 1 within limits." in words(group_report(store, SETTINGS, INTERVALS, "north"))


def test_a_group_lists_the_most_severe_site_first(store: Store, read: Reader) -> None:
    keep(store, *(Site(id=id_, name=name, group="north") for id_, name in (
        ("ash", "Ash Yard"), ("elm", "Elm Row"), ("new", "New Wharf"))),
        *(SamplingPoint(id=f"{id_} tap", site=id_, place="mains", name="tap") for id_ in ("ash", "elm", "new")))
    read("mill tap", 320.0, day=9, verdict="out-of-limits")
    read("mill behind", 60.0, day=2, point="behind", verdict="within-limits")
    read("ash before", 320.0, day=1, point="ash tap", verdict="out-of-limits")
    read("ash", 60.0, day=3, point="ash tap", verdict="within-limits")
    read("elm", 320.0, day=4, point="elm tap", verdict="out-of-limits")
    document = group_report(store, SETTINGS, INTERVALS, "north")
    stand = rows(section(document, "Site status"))
    assert [(r[0], r[1], r[6].partition(",")[0]) for r in stand] == [
        ("Elm Row", "out of limits", "tap"), ("Mill Lane", "within limits", "behind the filter"),
        ("Ash Yard", "within limits", "tap")], "of two within limits the one with more overdue items first"
    seen = overview(store, INTERVALS, scope=Scope(group="north"))
    assert {(line.name, VERDICT_WORDS[line.water.verdict][0], line.water.name) for line in seen.sites if line.water
            } == {(r[0], r[1], r[6].partition(",")[0]) for r in stand}
    assert "scale" in stand[0][2]
    summary = words(section(document, "Summary"))
    counts = ("1 of 4 out of limits.", "2 of 4 within limits.", "1 of 4 not assessed.")
    assert [count for count in counts if count not in summary] == []
    assert "New Wharf" in words(section(document, "Not assessed"))
    due = rows(section(document, "Due until"))
    assert ["New Wharf", "test tap (mains)", "never tested"] in [r[1:] for r in due]
    assert [r[0] for r in due if r[1] == "Elm Row"] == ["2026-06-04 (overdue)"]


def test_a_group_without_sites_is_reported(store: Store) -> None:
    keep(store, Site(id="mill", name="Mill Lane", group="north", closed=NOW.date()))
    assert "This group has no sites" in words(group_report(store, SETTINGS, INTERVALS, "north"))
