"""No page shows a number as floating point has it: with its rounding error, or with an exponent."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from assess import AssessmentSetup, assess, load_equipment, load_limits, sample_from_typed
from assess.treatment.unit import load_units
from stripread.reading.calibrate import Calibration
from stripread.reading.photo import Photo
from stripread.reading.result import Reading
from stripread.report import write_assessment_reports
from stripread.report.chart_page import write_chart_report
from stripread.report.page import reading_sheet, write_report
from stripread.report.verdicts import assessment_sheet

#: Hard, soft and very hard water: each leads to other treatments.
WATERS = ({"hardness": "19 °dH", "ph": "7.6"}, {"hardness": "8", "alkalinity": "300", "ph": "6.1"},
          {"hardness": "900", "alkalinity": "700", "ph": "8.1", "chloride": "900", "chlorine": "3"})
_RAW = re.compile(r".{30}\d\.\d{7,}|.{30}\d[eE][+-]\d")


@pytest.mark.parametrize("water", WATERS, ids=lambda w: w["hardness"])
@pytest.mark.parametrize("equipment", ["two-boiler-espresso", "hot-water-boiler"])
def test_an_assessment(water: dict[str, str], equipment: str, tmp_path: Path) -> None:
    typed = {name: text if name == "ph" or "°" in text else f"{text} mg/L" + _weighed(name)
             for name, text in water.items()}
    terms = AssessmentSetup(equipment=load_equipment(equipment), limits=load_limits(), units=load_units())
    write_assessment_reports([assess(sample_from_typed(typed), terms)], tmp_path / "page.html")
    assert raw(tmp_path / "page.html") == []


def _weighed(name: str) -> str:
    return " CaCO3" if name in ("hardness", "alkalinity") else ""


def test_a_reading_and_a_chart(reading: Reading, photo: Photo, sample_calibration: Calibration,
                               tmp_path: Path) -> None:
    terms = AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units=load_units())
    judged = assessment_sheet(assess(sample_from_typed({"hardness": "19 °dH", "ph": "7.6"}), terms))
    write_report(tmp_path / "reading.html", [replace(
        reading_sheet(reading, photo, chart=sample_calibration.chart), judged=judged)])
    write_chart_report(tmp_path / "chart.html", sample_calibration, [], [])
    assert raw(tmp_path / "reading.html") + raw(tmp_path / "chart.html") == []


def raw(page: Path) -> list[str]:
    """Numbers in floating point's own form in what is read or heard, hashes aside."""
    hidden = r"<code>.*?</code>|<style>.*?</style>|[0-9a-f]{64}"
    text = re.sub(hidden, "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    heard = " ".join(re.findall(r'aria-label="([^"]*)"', text))
    return _RAW.findall(re.sub(r"<[^>]*>|\s+", " ", text) + heard)
