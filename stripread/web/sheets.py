"""Kept readings made ready for the page, with pictures by their addresses."""

from __future__ import annotations

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


def assessment_of(store: Store, reading: StoredReading) -> StoredAssessment | None:
    """The latest assessment of a reading."""
    return max(store.find(StoredAssessment, reading=reading.id), key=lambda a: a.at, default=None)


def reading_sheet(store: Store, kept: StoredReading, views: Views) -> ReadingSheet:
    """A kept reading as the page shows it; the pictures are fetched from beside it."""
    reading, chart = kept.reading, store.get(StoredChart, kept.chart).chart
    curves = {pad.analyte: chart.curve(pad.analyte) for pad in reading.pads}
    pads = tuple(PadSheet(
        pad=pad, crop=f"/readings/{kept.id}/pads/{pad.analyte}", colour=None if pad.lab is None else swatch(pad.lab),
        ramp=None if (curve := curves[pad.analyte]) is None else ramp_of(curve, pad)) for pad in reading.pads)
    return ReadingSheet(
        reading=reading, chart=chart, picture=Picture(f"/readings/{kept.id}/picture", views.width, views.height),
        drawn=tuple(marks(reading)), labels=tuple(pad_labels(reading)), pads=pads,
        judged=judged_sheet(assessment_of(store, kept)))
