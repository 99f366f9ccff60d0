"""Reports on a month and on a claim state what was measured, changed, done and decided in their period only."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from assess import Assessment, AssessmentSetup, assess, load_limits, sample_from_typed
from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.operations.decisions import Decisions, Proposal
from stripread.report.document.model import Document, DocumentTable
from stripread.report.sites.group import Period, claim_report, month_of, month_report
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import Machine, Service, Unit
from stripread.store.settings import Settings
from stripread.store.store import Store
from tests.stripread.cli.inside import stripread
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

SETTINGS = Settings(database="", photographs="")


@pytest.fixture
def store(tmp_path: Path, sample_chart: Chart, assessment: Assessment) -> Store:
    """A tap that left its limits in February, and a filter changed then; NOW is 2 March."""
    made = with_site(empty_store(tmp_path))
    chart = with_chart(made, sample_chart, "A")["A"]
    good = msgspec.structs.replace(assessment, judgements=())
    hard = assess(sample_from_typed({"hardness": "320 ± 5 mg/L CaCO3", "alkalinity": "240 ± 5 mg/L CaCO3"}),
                  AssessmentSetup(equipment=assessment.equipment, limits=load_limits(), units={}))
    keep(made, Machine(id="left", site="mill", equipment=assessment.equipment),
         Unit(id="filter", site="mill", catalogue="carbon-filter", unit=load_units()["carbon-filter"]),
         *(Service(id=f"{days}", unit="filter", at=NOW - timedelta(days=days), job="cartridge changed",
                   account=ACCOUNT, note=f"{days} days ago") for days in (10, 60)))
    for days, judged, hardness in ((60, good, 60.0), (20, good, 61.0), (5, hard, 320.0), (0, hard, 330.0)):
        photograph = photograph_of(f"tap {days}", NOW - timedelta(days=days), point="tap", batch="A")
        reading = reading_of(photograph, {"hardness": Value(hardness)}, chart=chart)
        keep(made, photograph, reading, StoredAssessment(id=reading.id, reading=reading.id, at=reading.at,
                                                         account=ACCOUNT, assessment=judged))
    return made


def cells(document: Document, title: str) -> list[list[str]]:
    (table,) = [b for s in document.sections if s.title == title for b in s.blocks if isinstance(b, DocumentTable)]
    return [[cell.words for cell in row] for row in table.rows]


def test_a_month_states_its_tests_changes_and_work(store: Store) -> None:
    february = month_report(store, SETTINGS, datetime(2026, 2, 14, tzinfo=UTC), "north")
    assert "2 readings at 1 of 1 site." in str(february.sections[0])
    assert cells(february, "Changed verdicts") == [
        ["Mill Lane", "tap", "within limits", "out of limits", "2026-02-25"]]
    assert [r[-1] for r in cells(february, "Work on treatment units")] == ["10 days ago"]
    april = month_report(store, SETTINGS, datetime(2026, 4, 1, tzinfo=UTC), None)
    assert "Mill Lane" in str(april.sections[0]), "a site that was not tested"
    assert [s.title for s in april.sections] == ["Tests", "Changed verdicts"]
    assert month_of(datetime(2027, 12, 31, tzinfo=UTC)).until == datetime(2028, 1, 1, tzinfo=UTC)
    with pytest.raises(RecordsError):
        month_report(store, SETTINGS, NOW, "nowhere")


def test_a_claim_collects_the_evidence_of_its_period(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
                                                     ) -> None:
    Decisions(store, ACCOUNT).propose(load_intervals(), Proposal("mill", "install an exchanger"))
    period = Period(NOW - timedelta(days=30), NOW - timedelta(days=1))
    claim = claim_report(store, SETTINGS, "left", period)
    assert [r[0] for r in cells(claim, "Samples")] == ["2026-02-10", "2026-02-25"]
    assert "(" in cells(claim, "Samples")[0][2], "values with their intervals"
    assert len(cells(claim, "Ledger")) == len(store.get(Machine, "left").equipment.boilers)
    assert store.head().hash in str(claim.sections[-1])
    assert not [s for s in claim.sections if s.title == "Decisions"], "proposed after the period"
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    for args in (("month", "2026-02"), ("claim", "left", "--since", "2026-01-01", "--until", "2026-03-01")):
        done = stripread("report", *args, "-o", tmp_path / "report.pdf")
        assert done.returncode == 0, done.stderr
        assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
