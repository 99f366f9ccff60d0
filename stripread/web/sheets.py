"""Kept readings made ready for the page, with pictures by their addresses."""

from __future__ import annotations

from calibration.chart import Chart
from stripread.reading.result import PadReading
from stripread.records.current import current_assessment
from stripread.records.kinds.evidence import StoredAssessment, StoredReading
from stripread.records.kinds.materials import StoredChart
from stripread.records.store import Store
from stripread.report.marks import marks, pad_labels
from stripread.report.page import PadSheet, ReadingSheet
from stripread.report.picture import Picture
from stripread.report.ramp import ramp_of, swatch
from stripread.report.verdicts import AssessmentSheet, assessment_sheet
from stripread.web.views import Views


def judged_sheet(kept: StoredAssessment | None) -> AssessmentSheet | None:
    """An assessment as the page shows it."""
    return None if kept is None else assessment_sheet(kept.assessment)


def reading_sheet(store: Store, kept: StoredReading, views: Views | None) -> ReadingSheet:
    """A kept reading as the page shows it; pictures, where there are ``views``, are fetched from beside it."""
    reading, chart, beside = kept.reading, store.get(StoredChart, kept.chart).chart, f"/readings/{kept.id}"
    pads = tuple(_pad_sheet(pad, chart, f"{beside}/pads/{pad.analyte}" if views else "") for pad in reading.pads)
    seen = Picture(f"{beside}/picture", views.width, views.height) if views else Picture("", 0.0, 0.0)
    return ReadingSheet(reading=reading, chart=chart, picture=seen, drawn=tuple(marks(reading)),
                        labels=tuple(pad_labels(reading)), pads=pads,
                        judged=judged_sheet(current_assessment(store, kept.id)))


def _pad_sheet(pad: PadReading, chart: Chart, crop: str) -> PadSheet:
    curve = chart.curve(pad.analyte)
    return PadSheet(pad=pad, crop=crop, colour=None if pad.lab is None else swatch(pad.lab),
                    ramp=None if curve is None else ramp_of(curve, pad))
