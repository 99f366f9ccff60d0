"""Reports: annotated photographs, pages of readings, assessments and charts, test reports."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from assess.assessment import Assessment


def write_assessment_reports(assessments: Sequence[Assessment], path: Path) -> None:
    """Write a self-contained page of several assessments. Raises FileError where the file cannot be written."""
    from stripread.report.render import write_page
    from stripread.report.verdicts import assessment_sheet

    write_page(path, "assessment.html", context={"sheets": [assessment_sheet(a) for a in assessments]})
