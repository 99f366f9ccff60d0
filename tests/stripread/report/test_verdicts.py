"""The page of an assessment says what the assessment says, and draws it where it belongs."""

from __future__ import annotations

import html
from pathlib import Path

import msgspec
import pytest

from assess import Assessment, AssessmentSetup, assess, load_equipment, load_limits, sample_from_typed
from assess.equipment import InstalledTreatment
from assess.treatment.unit import load_units
from shared.analytes import ANALYTES
from stripread.cli.verdicts import as_text
from stripread.report import write_assessment_reports
from stripread.report.verdicts import VERDICT_WORDS, assessment_sheet
from tests.loops import some

#: Invented waters: hard and scaling; salty; one that suits.
WATERS = {
    "hard": {"hardness": "330 mg/L CaCO3", "alkalinity": "225 mg/L CaCO3", "ph": "7.6", "chloride": "21 mg/L",
             "chlorine": "1.5 mg/L"},
    "salty": {"hardness": "52 mg/L CaCO3", "alkalinity": "59 mg/L CaCO3", "ph": "7.8", "chloride": "370 mg/L",
              "chlorine": "0.1 mg/L"},
    "fine": {"hardness": "60 mg/L CaCO3", "alkalinity": "45 mg/L CaCO3", "ph": "7.3", "chloride": "20 mg/L",
             "chlorine": "0.1 mg/L"},
}


@pytest.fixture(scope="module", params=WATERS)
def assessment(request: pytest.FixtureRequest) -> Assessment:
    terms = AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units=load_units())
    return assess(sample_from_typed(WATERS[request.param]), terms)


def test_verdicts_next_step_and_cautions_are_on_the_page(assessment: Assessment, tmp_path: Path) -> None:
    write_assessment_reports([assessment], tmp_path / "page.html")
    page = html.unescape((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert assessment.plan.next_step in page
    for printed in (*assessment.cautions, *(x.why for x in assessment.assumptions), assessment.provenance.rule,
                 *(o.why for o in assessment.options), *(j.limit.source for j in assessment.judgements)):
        assert printed in page
    reasons = [j.reason for j in assessment.judgements if j.verdict != "within-limits" and j.severity != "information"]
    assert bool(reasons) == (assessment.any("out-of-limits") or assessment.any("inconclusive"))
    assert [reason for reason in reasons if reason not in page] == []


def test_a_headline_names_only_what_has_its_verdict(assessment: Assessment) -> None:
    """A level probe that detects the water is not out of limits because the boiler's chloride is."""
    names = {"boiler-chloride": "boiler chloride", "conductivity": "level probe"}
    for measure, name in names.items():
        verdicts = {j.verdict for j in assessment.judgements if j.limit.measure == measure and j.severity == "machine"}
        worst = next((v for v in VERDICT_WORDS if v in verdicts), None)
        found = [h.words for h in assessment_sheet(assessment).headlines if name in h.words]
        assert [words.startswith(VERDICT_WORDS[worst][2]) for words in found] == [True] if worst else not found


def test_a_value_is_drawn_inside_the_permitted_stretch_just_if_it_is_permitted(assessment: Assessment) -> None:
    bars = assessment_sheet(assessment).bars
    assert bars
    for bar in bars:
        limit, value = bar.judgement.limit, bar.judgement.value
        permitted = ((limit.at_least is None or value >= limit.at_least)
                     and (limit.at_most is None or value <= limit.at_most))
        assert (bar.permitted[0] <= bar.at <= bar.permitted[1]) == permitted
        assert 0 <= bar.interval[0] <= bar.at <= bar.interval[1] <= 1
        assert all(0 <= place <= 1 for place, _ in some(bar.ticks))


def test_tap_and_treated_water_are_on_the_curve_and_on_their_windows(assessment: Assessment, tmp_path: Path) -> None:
    sheet = assessment_sheet(assessment)
    plot = sheet.extraction
    assert plot is not None
    assert [name for _, _, name in plot.marks][:1] == ["tap"]
    curve = [tuple(map(float, point.split(","))) for point in plot.line.split()]
    heights = [y for _, y in curve]
    assert heights == sorted(heights, reverse=True), "more hardness never extracts less (common practice, no source)"
    for x, y, _ in plot.marks:
        nearest = min(curve, key=lambda point: abs(point[0] - x))
        assert abs(nearest[1] - y) < 8
    hardness = next(b for b in sheet.bars if b.judgement.id == "hardness")
    treated = {name for _, _, name in plot.marks} == {"tap", "treated"}
    assert (hardness.treated is not None) <= treated
    write_assessment_reports([assessment], tmp_path / "page.html")
    assert "Qualitative: drawn from trade experience" in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_the_plot_lies_in_its_field(assessment: Assessment) -> None:
    plot = assessment_sheet(assessment).plot
    left, top, right, bottom = plot.field
    for point in some(p for series in plot.series for points in (series.line, series.band) for p in points.split()):
        x, y = map(float, point.split(","))
        assert left <= x <= right
        assert top <= y <= bottom
    assert top < plot.zero < bottom
    assert len(plot.boilers) == len(assessment.boilers)


def test_treated_water_is_shown_with_its_prediction(tmp_path: Path) -> None:
    """An exchanger that lets everything through: page and terminal show the finding and each value."""
    unit = InstalledTreatment(unit="weak-acid-exchange", setting=0.2)
    terms = AssessmentSetup(equipment=msgspec.structs.replace(load_equipment("two-boiler-espresso"), treatment=unit),
                  limits=load_limits(), units=load_units())
    tap, behind = (sample_from_typed({"hardness": f"{h} ± 6 mg/L CaCO3", "alkalinity": f"{a} ± 5 mg/L CaCO3"})
                   for h, a in ((200, 170), (198, 172)))
    found = assess(tap, terms, after=behind)
    assert found.diagnosis is not None
    assert set(found.diagnosis.possible) == {"exhausted", "swapped"}
    write_assessment_reports([found], tmp_path / "page.html")
    page = html.unescape((tmp_path / "page.html").read_text(encoding="utf-8"))
    rows = assessment_sheet(found).treated_water
    assert {r.name for r in rows} == {ANALYTES[c.analyte].name for c in found.diagnosis.compared}
    hardness = next(r for r in rows if r.name == "total hardness")
    assert hardness.read == "198.0 (192.0 to 204.0)"
    for printed in (found.diagnosis.sentence, *(r.expected for r in rows), *(r.read for r in rows)):
        assert printed in page
        assert printed in " ".join(as_text(found, details=True).split())


def test_the_most_severe_headline_is_first(assessment: Assessment) -> None:
    sheet = assessment_sheet(assessment)
    assert sheet.tone == ("bad" if assessment.any("out-of-limits") else
                          "open" if assessment.any("inconclusive") else "good")


def test_names_from_outside_are_text_never_markup(assessment: Assessment, tmp_path: Path) -> None:
    hostile = "<img src=x onerror=alert(1)>"
    named = msgspec.structs.replace(assessment, sample=hostile, notes=(hostile,), questions=(hostile,))
    write_assessment_reports([named], tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "<img src=x" not in page
    assert page.count("&lt;img src=x") >= 4
