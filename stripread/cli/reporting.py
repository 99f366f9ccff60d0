"""Readings gathered for one report, each assessed for a machine, or all of them as one sample."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from assess import Equipment, load_equipment
from calibration.chart import Chart
from shared.errors import InputError
from stripread.reading.assessment import assess
from stripread.reading.combine import CombinedReading
from stripread.reading.photo import Photo
from stripread.reading.result import Reading
from stripread.report.page import JointSheet, ReadingSheet, reading_sheet, write_report
from stripread.report.verdicts import assessment_sheet

Sheet = TypeVar("Sheet", ReadingSheet, JointSheet)


class Report:
    """A page that grows by one reading at a time and is written at the end.

    ``one_sample``: the photographs show one water, which is judged by their joint result alone.
    """

    def __init__(self, chart: Chart, equipment: Equipment | Path | str, *, one_sample: bool = False) -> None:
        self.chart = chart
        self.equipment = equipment if isinstance(equipment, Equipment) else load_equipment(equipment)
        self.one_sample = one_sample
        self.sheets: list[ReadingSheet] = []

    def add(self, reading: Reading, photo: Photo) -> None:
        """One more reading; where it cannot be judged the page says why."""
        sheet = reading_sheet(reading, photo, chart=self.chart)
        self.sheets.append(sheet if self.one_sample else self._judged(sheet))

    def write(self, path: Path, joint: CombinedReading | None = None) -> None:
        """Write the page, the ``joint`` result first, unless there was nothing to put on it."""
        if self.sheets:
            write_report(path, self.sheets, None if joint is None else self._judged(JointSheet(joint)))

    def _judged(self, sheet: Sheet) -> Sheet:
        if sheet.reading.status == "no-result":
            return sheet
        try:
            return replace(sheet, judged=assessment_sheet(assess(sheet.reading, equipment=self.equipment)))
        except InputError as error:
            return replace(sheet, unjudged=error.message)
