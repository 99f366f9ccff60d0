"""Laboratory and typed results are assessed like readings; a supplier's average is a prior, not a sample."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from assess import load_equipment, load_limits
from assess.limits import DEFAULT_SET
from assess.treatment.unit import load_units
from stripread.intake.reassess import assess_all, assess_imported
from stripread.intake.typed_values import TypedValues, store_typed_values
from stripread.monitoring.machine_ledger import machine_ledger
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.status import status_of
from stripread.report.sites.group import Period, claim_report
from stripread.report.sites.site import site_report
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import LabResult, SampleAssessment
from stripread.store.models.materials import OWN, OwnTerms
from stripread.store.models.sites import Machine, Service, Unit
from stripread.store.settings import Settings
from stripread.store.store import Store
from tests.loops import some
from tests.stripread.cli.inside import stripread
from tests.stripread.store.histories import ACCOUNT, NOW, empty_store, keep, with_site

TABLE = ("taken,sampling point,origin,laboratory,hardness [mg/L CaCO3],alkalinity [mg/L CaCO3],ph,chloride [mg/L]\n"
         "2025-12-31,tap,supplier,Waterworks of Example,180,150,7.6,25\n"
         "2026-02-20,tap,laboratory,Laboratory of Example,320,240,7.4,\n")


Imported = dict[str, Any]


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    made = with_site(empty_store(tmp_path))
    keep(made, Machine(id="m", site="mill", equipment=load_equipment("two-boiler-espresso")))
    monkeypatch.setenv("STRIPREAD_DATABASE", made.engine.url.render_as_string())
    monkeypatch.setenv("STRIPREAD_PHOTOGRAPHS", str(tmp_path / "photographs"))
    return made


@pytest.fixture
def imported(store: Store, tmp_path: Path) -> Imported:
    assert not store.find(SampleAssessment)
    (tmp_path / "results.csv").write_text(TABLE, encoding="utf-8")
    done = stripread("sites", "import", tmp_path / "results.csv", "--json")
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def test_an_imported_result_is_assessed_and_is_the_status_of_its_site(store: Store, imported: Imported
                                                                      ) -> None:
    (sample,) = store.find(SampleAssessment)
    assert (sample.point, sample.verdict, sample.assessment.origin, sample.machine) == (
        "tap", "out-of-limits", "laboratory", "m")
    (change,) = imported["reassessed"]
    assert (change["before"], change["after"], change["point_name"]) == (None, "out-of-limits", "tap")
    status = status_of(store, load_intervals(), "mill")
    assert status.water is not None
    assert (status.verdict, status.water.on.isoformat(), status.water.reading) == ("out-of-limits", "2026-02-20", "")
    report = json.dumps([str(s) for s in site_report(store, Settings(database="", photographs=""), load_intervals(),
                                                     "mill").sections])
    assert "based on the laboratory result of 2026-02-20, tap" in report


def test_a_supplier_s_average_is_a_prior_for_what_was_not_measured(store: Store, imported: Imported) -> None:
    """One day differs from the average of a year by 15 % (standard uncertainty; common practice, no source)."""
    (sample,) = store.find(SampleAssessment)
    assert imported["new"] == {"lab_results": 7}
    (chloride,) = [a for a in sample.assessment.assumptions if a.estimate.analyte == "chloride"]
    assert chloride.why == ("Chloride was not measured; the supplier's yearly average (2025, Waterworks of Example) is "
                            "used.")
    assert chloride.estimate.value == 25.0
    assert chloride.estimate.high - 25.0 == pytest.approx(1.96 * 0.15 * 25.0, rel=1e-3)
    assert {e.analyte: e.value for e in sample.assessment.values} == {"hardness": 320, "alkalinity": 240, "ph": 7.4}


@pytest.mark.usefixtures("imported")
def test_a_typed_value_of_treated_water_is_compared_with_the_laboratory_s_feed_water(store: Store) -> None:
    """By hand: 90 % of the alkalinity (240) of the 70 % that pass the resin is exchanged: 320 - 151, 240 - 151."""
    keep(store, Unit(id="u", site="mill", catalogue="weak-acid-exchange", unit=load_units()["weak-acid-exchange"]),
         Service(id="s", unit="u", at=NOW - timedelta(days=20), job="installed", account=ACCOUNT, setting=0.3))
    store_typed_values(store, ACCOUNT, TypedValues(point="behind", method="titration",
                                                   values={"hardness": "169", "alkalinity": "89"}))
    (typed,) = store.find(SampleAssessment, point="behind")
    assert typed.assessment.origin == "typed"
    assert typed.assessment.diagnosis is not None
    shown = stripread("diagnose", "mill")
    assert shown.returncode == 0, shown.stderr
    assert "treated water of 2026-03-02 (behind the filter)" in shown.stdout
    assert typed.assessment.diagnosis.sentence[:40] in " ".join(shown.stdout.split())
    assert typed.assessment.diagnosis.probabilities.working > 0.5
    status = status_of(store, load_intervals(), "mill")
    assert status.water is not None
    assert (status.water.point, status.tap and status.tap.point) == ("behind", "tap")
    assert {r.origin for r in store.find(LabResult, point="behind")} == {"typed"}


@pytest.mark.usefixtures("imported")
def test_changed_limits_list_the_changed_verdicts(store: Store) -> None:
    assert assess_all(store, ACCOUNT, "nothing has changed") == []
    keep(store, OwnTerms(id=OWN, limits=msgspec.structs.replace(load_limits(DEFAULT_SET), limit=())))
    (change,) = assess_all(store, ACCOUNT, "limits registered")
    assert (change.before, change.after, change.changes_verdict) == ("out-of-limits", "inconclusive", True)
    assert len(store.find(SampleAssessment)) == 2, "the earlier assessment is retained"


@pytest.mark.usefixtures("imported")
def test_a_corrected_machine_lists_the_waters_of_its_site(store: Store) -> None:
    machine = store.get(Machine, "m")
    assert assess_imported(store, ACCOUNT, [machine]) == []
    other = Machine(id="m", site="mill", equipment=load_equipment("hot-water-boiler"))
    keep(store, other)
    (change,) = assess_imported(store, ACCOUNT, [other])
    assert (change.site_name, change.point_name, change.on.isoformat()) == ("Mill Lane", "tap", "2026-02-20")


def _result(analyte: str, value: float, **given: Any) -> LabResult:
    unit = "pH" if analyte == "ph" else "mg/L CaCO3"
    return LabResult(id=f"{analyte} {given}", point="tap", taken=NOW, analyte=analyte, value=value, unit=unit, **given)


def test_results_of_one_time_are_one_sample_whatever_the_method(store: Store) -> None:
    by_hand = _result("hardness", 320.0, method="titration", origin="typed", u=4.0)
    rough = _result("hardness", 250.0, method="photometer", origin="typed", u=40.0)
    added = [by_hand, rough, _result("ph", 7.3, method="meter", origin="typed", u=0.05)]
    keep(store, *added)
    (change,) = assess_imported(store, ACCOUNT, added)
    assert (change.before, change.after) == (None, "out-of-limits")
    (sample,) = store.find(SampleAssessment)
    assert {e.analyte: e.value for e in sample.assessment.values} == {"hardness": 320.0, "ph": 7.3}
    assert rough.id not in sample.results


def test_a_result_that_is_added_later_changes_the_assessment_of_its_sample(store: Store) -> None:
    keep(store, hardness := _result("hardness", 320.0, u=4.0))
    assess_imported(store, ACCOUNT, [hardness])
    keep(store, ph := _result("ph", 7.3, u=0.05))
    (change,) = assess_imported(store, ACCOUNT, [ph])
    assert (change.before, change.after) == ("out-of-limits", "out-of-limits")


def test_the_ledger_of_a_machine_counts_laboratory_samples(store: Store) -> None:
    """By hand: a sample that is confirmed after ten days deposits in 20 days twice what it would in ten."""
    days = (20, 10)
    added = [LabResult(id=f"{analyte} {day}", point="tap", taken=NOW - timedelta(days=day), analyte=analyte,
                       value=value, u=4.0, unit="mg/L CaCO3")
             for day in days for analyte, value in (("hardness", 320.0), ("alkalinity", 240.0))]
    with pytest.raises(RecordsError, match="no water of this machine has been assessed yet"):
        machine_ledger(store, "m")
    keep(store, *added)
    assess_imported(store, ACCOUNT, added)
    whole, half = (machine_ledger(store, "m", NOW - timedelta(days=day)) for day in days)
    assert (whole.point, whole.since) == ("tap", NOW - timedelta(days=20))
    for a, b in zip(some(whole.boilers), half.boilers, strict=True):
        assert a.scale_g.value == pytest.approx(2 * b.scale_g.value, rel=0.05)
    assert whole.boilers[0].scale_g.value > 0
    claim = claim_report(store, Settings(database="", photographs=""), "m", Period(NOW - timedelta(days=15), NOW))
    (table,) = [s for s in claim.sections if s.title == "Laboratory and typed results"]
    assert str(table).count("total hardness 320") == 1, "the sample of the period"


def test_the_status_names_what_was_not_measured(store: Store) -> None:
    keep(store, hardness := _result("hardness", 60.0, u=2.0), alkalinity := _result("alkalinity", 42.0, u=2.0))
    assess_imported(store, ACCOUNT, [hardness, alkalinity])
    assert "not measured: chloride, pH" in " ".join(stripread("sites", "status").stdout.split())


def test_a_water_out_of_limits_has_an_action_even_before_a_treatment_can_be_chosen(store: Store) -> None:
    added = [_result(analyte, value, origin="typed") for analyte, value in (
        ("hardness", 262.0), ("alkalinity", 208.0), ("ph", 7.4))]
    keep(store, *added)
    assess_imported(store, ACCOUNT, added)
    status = status_of(store, load_intervals(), "mill")
    assert status.verdict == "out-of-limits"
    assert status.next is not None
    assert (status.next.kind, status.next.what) == ("water", "measure chloride")
