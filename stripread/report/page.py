"""One self-contained page that shows a reading and how it came about: no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.chart import Chart
from shared.flags import FLAGS, Flag, in_order
from stripread.reading.photo import Photo
from stripread.reading.result import PadReading, Reading
from stripread.report import picture
from stripread.report.marks import HALO, HALO_EXTRA, STYLES, Label, Mark, marks, pad_labels
from stripread.report.ramp import Ramp, ramp_of, swatch
from stripread.report.render import write_page
from stripread.report.text import Cells, cells
from stripread.report.verdicts import AssessmentSheet


@dataclass(frozen=True, slots=True)
class PadSheet:
    """A pad as the page shows it: its crop, its colour as corrected, and its place on the chart."""

    pad: PadReading
    crop: str
    colour: str | None
    ramp: Ramp | None

    @property
    def told(self) -> Cells:
        """Name, value, interval and unit in words."""
        return cells(self.pad)


@dataclass(frozen=True, slots=True)
class Noticed:
    """A flag and the names of the pads it concerns; none: the whole photograph."""

    flag: Flag
    at: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadingSheet:
    """A reading as the page shows it; ``judged`` for a machine, or ``unjudged`` with the reason."""

    reading: Reading
    chart: Chart
    picture: picture.Picture
    drawn: tuple[Mark, ...]
    labels: tuple[Label, ...]
    pads: tuple[PadSheet, ...]
    judged: AssessmentSheet | None = None
    unjudged: str = ""

    @property
    def noticed(self) -> tuple[Noticed, ...]:
        """Every flag of the photograph and of its pads once, in the registry's order."""
        found = {*self.reading.flags, *(i for p in self.reading.pads for i in p.flags)}
        return tuple(Noticed(FLAGS[i], tuple(p.told.name for p in self.pads if i in p.pad.flags))
                     for i in in_order(found))


def reading_sheet(reading: Reading, photo: Photo, *, chart: Chart) -> ReadingSheet:
    """Everything the page shows of one reading."""
    return ReadingSheet(
        reading=reading, chart=chart, picture=picture.whole(photo), drawn=tuple(marks(reading)),
        labels=tuple(pad_labels(reading)), pads=tuple(_pad_sheet(p, photo, chart=chart) for p in reading.pads))


def _pad_sheet(pad: PadReading, photo: Photo, *, chart: Chart) -> PadSheet:
    curve = chart.curve(pad.analyte)
    return PadSheet(pad=pad, crop=picture.crop(photo, pad.outline_px),
                    colour=None if pad.lab is None else swatch(pad.lab),
                    ramp=None if curve is None else ramp_of(curve, pad))


def write_report(path: Path, sheets: Sequence[ReadingSheet]) -> None:
    """Write one page for the readings. Raises FileError where the file cannot be written."""
    write_page(path, "reading.html", context={"sheets": sheets, "styles": STYLES, "halo": HALO,
                                              "halo_extra": HALO_EXTRA})
