"""Readings gathered for one page, each judged for a machine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from assess import Equipment, load_equipment
from calibration.chart import Chart
from shared.errors import InputError
from stripread.api import assess
from stripread.reading.photo import Photo
from stripread.reading.result import Reading
from stripread.report.page import ReadingSheet, reading_sheet, write_report
from stripread.report.verdicts import assessment_sheet


class Report:
    """A page that grows by one reading at a time and is written at the end."""

    def __init__(self, chart: Chart, equipment: Equipment | Path | str) -> None:
        self.chart = chart
        self.equipment = equipment if isinstance(equipment, Equipment) else load_equipment(equipment)
        self.sheets: list[ReadingSheet] = []

    def add(self, reading: Reading, photo: Photo) -> None:
        """One more reading; where it cannot be judged the page says why."""
        sheet = reading_sheet(reading, photo, chart=self.chart)
        if reading.status == "read":
            sheet = self._judged(sheet)
        self.sheets.append(sheet)

    def _judged(self, sheet: ReadingSheet) -> ReadingSheet:
        try:
            return replace(sheet, judged=assessment_sheet(assess(sheet.reading, equipment=self.equipment)))
        except InputError as error:
            return replace(sheet, unjudged=error.message)

    def write(self, path: Path) -> None:
        """Write the page, unless there was nothing to put on it."""
        if self.sheets:
            write_report(path, self.sheets)
