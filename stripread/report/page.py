"""One self-contained page that shows a reading and how it came about: no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.chart import Chart
from shared.analytes import ANALYTES
from shared.flags import FLAGS, Flag, in_order
from shared.notation import PLAIN, Notation
from stripread.reading.combine import Combined, CombinedPad
from stripread.reading.photo import Photo
from stripread.reading.result import PadReading, Reading
from stripread.report import picture
from stripread.report.marks import HALO, HALO_EXTRA, STYLES, OverlayLabel, OverlayMark, marks, pad_labels
from stripread.report.ramp import Ramp, ramp_of, swatch
from stripread.report.render import write_page
from stripread.report.text import ValueCells, bound, cells
from stripread.report.verdicts import AssessmentSheet


@dataclass(frozen=True, slots=True)
class PadSheet:
    """A pad as the page shows it: its crop, its colour as corrected, and its place on the chart."""

    pad: PadReading
    crop: str
    colour: str | None
    ramp: Ramp | None
    notation: Notation = PLAIN

    @property
    def told(self) -> ValueCells:
        """Name, value, interval and unit in words."""
        return cells(self.pad, self.notation)

    @property
    def others(self) -> tuple[str, ...]:
        """Other values that fit as well."""
        return tuple(bound(v, self.pad.unit, self.notation, digits=3) for v in self.pad.others)

    @property
    def budget(self) -> tuple[tuple[str, str, bool], ...]:
        """Components of the standard uncertainty, the largest first: name, value, shared by all strips."""
        parts = sorted((p for p in self.pad.budget if p.u > 0), key=lambda p: p.u, reverse=True)
        return tuple((p.name, bound(p.u, self.pad.unit, self.notation, digits=2), p.shared) for p in parts)


@dataclass(frozen=True, slots=True)
class FlagOccurrence:
    """A flag and the names of the pads it concerns; none: the whole photograph."""

    flag: Flag
    at: tuple[str, ...]


def noticed(reading: Reading | Combined) -> tuple[FlagOccurrence, ...]:
    """Every flag of a reading and of its pads once, in the registry's order."""
    found = {*reading.flags, *(flag for pad in reading.pads for flag in pad.flags)}
    return tuple(FlagOccurrence(FLAGS[flag], tuple(cells(pad).name for pad in reading.pads if flag in pad.flags))
                 for flag in in_order(found))


@dataclass(frozen=True, slots=True)
class ReadingSheet:
    """A reading as the page shows it; ``judged`` for a machine, or ``unjudged`` with the reason."""

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
        """Every flag of the photograph and of its pads once, in the registry's order."""
        return noticed(self.reading)


@dataclass(frozen=True, slots=True)
class JointPad:
    """An analyte of several photographs of one sample as the page shows it."""

    pad: CombinedPad

    @property
    def told(self) -> ValueCells:
        """Name, value, interval and unit in words."""
        return cells(self.pad)


@dataclass(frozen=True, slots=True)
class JointSheet:
    """Replicates as one result, the page's first; ``judged`` for a machine, or ``unjudged`` with the reason."""

    reading: Combined
    judged: AssessmentSheet | None = None
    unjudged: str = ""

    @property
    def pads(self) -> tuple[JointPad, ...]:
        """The analytes."""
        return tuple(map(JointPad, self.reading.pads))

    @property
    def noticed(self) -> tuple[FlagOccurrence, ...]:
        """Every flag of the photographs and pads once."""
        return noticed(self.reading)

    @property
    def title(self) -> str:
        """How many photographs of how many were joined, and what they show."""
        used, left = len(self.reading.provenance), len(self.reading.left_out)
        how = "one strip" if self.reading.same_strip else "a strip each"
        return f"{used} of {used + left} photograph{'s' if used + left > 1 else ''}, {how}"

    @property
    def notes(self) -> tuple[str, ...]:
        """Which analytes' photographs disagree, and how."""
        return tuple(p.note for p in self.reading.pads if p.note)

    @property
    def left_out(self) -> tuple[tuple[str, str, str], ...]:
        """Photograph, the analyte it gave no value of (empty: of none), and why."""
        return (*((out.photo, "", out.why) for out in self.reading.left_out),
                *((out.photo, ANALYTES[p.analyte].name, out.why) for p in self.reading.pads for out in p.left_out))


def reading_sheet(reading: Reading, photo: Photo, *, chart: Chart) -> ReadingSheet:
    """Everything the page shows of one reading."""
    return ReadingSheet(
        reading=reading, chart=chart, picture=picture.whole(photo), drawn=tuple(marks(reading)),
        labels=tuple(pad_labels(reading)),
        pads=tuple(pad_sheet(p, chart, picture.crop(photo, p.outline_px)) for p in reading.pads))


def pad_sheet(pad: PadReading, chart: Chart, crop: str, notation: Notation = PLAIN) -> PadSheet:
    """A pad as the page shows it; ``crop``: the address of its picture."""
    curve = chart.curve(pad.analyte)
    return PadSheet(pad=pad, crop=crop, colour=None if pad.lab is None else swatch(pad.lab),
                    ramp=None if curve is None else ramp_of(curve, pad, notation), notation=notation)


def write_report(path: Path, sheets: Sequence[ReadingSheet], joint: JointSheet | None = None) -> None:
    """Write one page for the readings, the ``joint`` one first. Raises FileError where it cannot be written."""
    write_page(path, "reading.html", context={"sheets": sheets, "joint": joint, "styles": STYLES, "halo": HALO,
                                              "halo_extra": HALO_EXTRA})
