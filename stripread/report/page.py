"""Self-contained page of readings and their evidence: no scripts, no external resources."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.chart import Chart
from shared.analytes import ANALYTES
from shared.flags import FLAGS, Flag, in_order
from shared.notation import PLAIN, Notation
from stripread.reading.combine import CombinedPad, CombinedReading
from stripread.reading.photo import Photo
from stripread.reading.result import PadReading, Reading
from stripread.report import picture
from stripread.report.overlay import HALO, HALO_EXTRA, STYLES, OverlayLabel, OverlayMark, marks, pad_labels
from stripread.report.ramp import Ramp, ramp_of, swatch
from stripread.report.render import write_page
from stripread.report.text import ValueCells, bound, cells, flag_detail
from stripread.report.verdicts import AssessmentSheet


@dataclass(frozen=True, slots=True)
class PadSheet:
    """View model of a pad: its image, its corrected colour, and its position on the chart."""

    pad: PadReading
    crop: str
    colour: str | None
    ramp: Ramp | None
    notation: Notation = PLAIN

    @property
    def cells(self) -> ValueCells:
        """Name, value, interval and unit as text."""
        return cells(self.pad, self.notation)

    @property
    def others(self) -> tuple[str, ...]:
        """Other values that fit equally well."""
        return tuple(bound(v, self.pad.unit, self.notation, digits=3) for v in self.pad.others)

    @property
    def budget(self) -> tuple[tuple[str, str, bool], ...]:
        """Components of the standard uncertainty, largest first: name, value, whether systematic."""
        parts = sorted((p for p in self.pad.budget if p.u > 0), key=lambda p: p.u, reverse=True)
        return tuple((p.name, bound(p.u, self.pad.unit, self.notation, digits=2), p.shared) for p in parts)


@dataclass(frozen=True, slots=True)
class FlagOccurrence:
    """A flag, the names of the pads it concerns (empty: the whole photograph), and what this reading adds to it."""

    flag: Flag
    at: tuple[str, ...]
    detail: str = ""


def noticed(reading: Reading | CombinedReading) -> tuple[FlagOccurrence, ...]:
    """Return each flag of a reading and its pads once, in the registry's order."""
    flags = {*reading.flags, *(flag for pad in reading.pads for flag in pad.flags)}
    return tuple(FlagOccurrence(FLAGS[flag], tuple(cells(pad).name for pad in reading.pads if flag in pad.flags),
                                flag_detail(flag, reading))
                 for flag in in_order(flags))


@dataclass(frozen=True, slots=True)
class ReadingSheet:
    """View model of a reading; ``judged``: its assessment, or ``unjudged``: why there is none."""

    reading: Reading
    chart: Chart
    picture: picture.Picture
    drawn: tuple[OverlayMark, ...]
    labels: tuple[OverlayLabel, ...]
    pads: tuple[PadSheet, ...]
    judged: AssessmentSheet | None = None
    unjudged: str = ""

    @property
    def noticed(self) -> tuple[FlagOccurrence, ...]:
        """Each flag of the photograph and its pads once, in the registry's order."""
        return noticed(self.reading)


@dataclass(frozen=True, slots=True)
class JointPad:
    """View model of an analyte combined from several photographs of one sample."""

    pad: CombinedPad

    @property
    def cells(self) -> ValueCells:
        """Name, value, interval and unit as text."""
        return cells(self.pad)


@dataclass(frozen=True, slots=True)
class JointSheet:
    """View model of a combined result; ``judged``: its assessment, or ``unjudged``: why there is none."""

    reading: CombinedReading
    judged: AssessmentSheet | None = None
    unjudged: str = ""

    @property
    def pads(self) -> tuple[JointPad, ...]:
        """The analytes."""
        return tuple(map(JointPad, self.reading.pads))

    @property
    def noticed(self) -> tuple[FlagOccurrence, ...]:
        """Each flag of the photographs and pads once."""
        return noticed(self.reading)

    @property
    def title(self) -> str:
        """How many photographs were combined, and whether they show one strip or several."""
        used, left = len(self.reading.provenance), len(self.reading.left_out)
        how = "one strip" if self.reading.same_strip else "one strip each"
        return f"{used} of {used + left} photograph{'s' if used + left > 1 else ''}, {how}"

    @property
    def notes(self) -> tuple[str, ...]:
        """Disagreements between photographs, by analyte."""
        return tuple(p.note for p in self.reading.pads if p.note)

    @property
    def left_out(self) -> tuple[tuple[str, str, str], ...]:
        """Photograph, analyte without a result (empty: all), and reason."""
        return (*((out.photo, "", out.why) for out in self.reading.left_out),
                *((out.photo, ANALYTES[p.analyte].name, out.why) for p in self.reading.pads for out in p.left_out))


def reading_sheet(reading: Reading, photo: Photo, *, chart: Chart) -> ReadingSheet:
    """Return the view model of one reading."""
    return ReadingSheet(
        reading=reading, chart=chart, picture=picture.whole(photo), drawn=tuple(marks(reading)),
        labels=tuple(pad_labels(reading)),
        pads=tuple(pad_sheet(p, chart, picture.crop(photo, p.outline_px)) for p in reading.pads))


def pad_sheet(pad: PadReading, chart: Chart, crop: str, notation: Notation = PLAIN) -> PadSheet:
    """Return the view model of a pad; ``crop``: data URI of its image."""
    curve = chart.curve(pad.analyte)
    return PadSheet(pad=pad, crop=crop, colour=None if pad.lab is None else swatch(pad.lab),
                    ramp=None if curve is None else ramp_of(curve, pad, notation), notation=notation)


def write_report(path: Path, sheets: Sequence[ReadingSheet], joint: JointSheet | None = None) -> None:
    """Write one page for the readings, the ``joint`` result first. Raises FileError where it cannot be written."""
    write_page(path, "reading.html", context={"sheets": sheets, "joint": joint, "styles": STYLES, "halo": HALO,
                                              "halo_extra": HALO_EXTRA})
