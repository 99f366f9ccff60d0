"""View models of stored readings, with images by their addresses."""

from __future__ import annotations

from shared.notation import Notation
from stripread.report.marks import marks, pad_labels
from stripread.report.page import ReadingSheet, pad_sheet
from stripread.report.picture import Picture
from stripread.report.verdicts import AssessmentSheet, assessment_sheet
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.materials import StoredChart
from stripread.store.reading_history import ReadingHistory
from stripread.web.worker_process import PhotoThumbnails


def judged_sheet(kept: StoredAssessment | None, notation: Notation) -> AssessmentSheet | None:
    """Return the view model of an assessment."""
    return None if kept is None else assessment_sheet(kept.assessment, notation)


def reading_sheet(history: ReadingHistory, chart: StoredChart, views: PhotoThumbnails | None, notation: Notation
                  ) -> ReadingSheet:
    """Return the view model of a stored reading; with ``views``, images are loaded from their own addresses."""
    reading, beside = history.reading.reading, f"/readings/{history.reading.id}"
    pads = tuple(pad_sheet(pad, chart.chart, f"{beside}/pads/{pad.analyte}" if views else "", notation)
                 for pad in reading.pads)
    seen = Picture(f"{beside}/picture", views.width, views.height) if views else Picture("", 0.0, 0.0)
    return ReadingSheet(reading=reading, chart=chart.chart, picture=seen, drawn=tuple(marks(reading)),
                        labels=tuple(pad_labels(reading, notation)), pads=pads,
                        judged=judged_sheet(history.assessment, notation))
