"""Labels, marks and texts on a card, in addition to patches, bed and markers, and their placement.

Ink keeps clear of everything else printed and of the bare paper that a reading samples, so that none of it
changes a reading; a name for which there is no room is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from reportlab.pdfbase.pdfmetrics import stringWidth

from shared.card import Bed, CardLayout, Patch, ScaleBar
from stripread.reading.patches import PAPER_SQUARE, paper_places

Box = tuple[float, float, float, float]

PRINT_ADVICE = "Print at 100 % on matt, water-resistant stock."
FONT = "Helvetica"
#: Cap height and descender of that font, as fractions of its size (Adobe AFM).
CAPITALS, BELOW = 0.718, 0.207
#: Sizes of patch labels and texts, line width, and clearance around ink, mm.
NAME_MM, WORDS_MM, LINE_MM, CLEAR_MM = 1.8, 2.4, 0.25, 0.4
#: Length of the two marks at the stop line, and largest distance from the bed, mm.
MARK_MM, MARK_REACH_MM = 1.5, 6.0
_ROUNDING = 1e-9


class _Inked(Protocol):
    @property
    def box(self) -> Box: ...


Item = TypeVar("Item", bound=_Inked)


@dataclass(frozen=True, slots=True)
class CutMark:
    """Short line; left, top, right, bottom in mm from the card's top left corner."""

    box: Box


@dataclass(frozen=True, slots=True)
class PrintedText:
    """Text whose baseline starts at ``x``, ``y`` (mm from the card's top left corner), ``size`` mm high."""

    text: str
    x: float
    y: float
    size: float

    @property
    def box(self) -> Box:
        """Bounding box: left, top, right, bottom."""
        width = stringWidth(self.text, FONT, self.size)
        return (self.x, self.y - CAPITALS * self.size, self.x + width, self.y + BELOW * self.size)


@dataclass(frozen=True, slots=True)
class Ink:
    """All placed marks and texts."""

    marks: tuple[CutMark, ...]
    words: tuple[PrintedText, ...]


def ink(card: CardLayout, run: int) -> Ink:
    """Return the marks at the stop line, the patch labels and the texts of a card."""
    room = _Room(card)
    marks = [room.first(_stop_marks(card.bed, step)) for step in (-1, 1)]
    words = [room.first(_around(patch)) for patch in card.patches]
    words.append(room.first(_beside(card.scale_bar)))
    words += [room.first(_across(card, text)) for text in (
        f"{card.name}, print run {run}",
        PRINT_ADVICE,
        "Lay the strip on the grey bed: tip between the two marks, handle to the right.",
    )]
    return Ink(tuple(m for m in marks if m), tuple(w for w in words if w))


class _Room:
    """Occupied boxes; grows with each placement."""

    def __init__(self, card: CardLayout) -> None:
        width, height = card.size
        quiet, side = card.markers.quiet_zone, card.markers.side
        half, bed, bar = PAPER_SQUARE / 2, card.bed, card.scale_bar
        self.inner = (CLEAR_MM, CLEAR_MM, width - CLEAR_MM, height - CLEAR_MM)
        self.taken: list[Box] = [(bed.x, bed.y, bed.x + bed.w, bed.y + bed.h),
                                 (bar.x, bar.y - LINE_MM, bar.x + bar.length, bar.y + LINE_MM)]
        self.taken += [(p.x, p.y, p.x + p.w, p.y + p.h) for p in card.patches]
        self.taken += [(x - quiet, y - quiet, x + side + quiet, y + side + quiet)
                       for x, y in card.markers.top_left_corners]
        self.taken += [(x - half, y - half, x + half, y + half) for x, y in paper_places(card)]

    def first(self, candidates: Iterable[Item]) -> Item | None:
        """Return and place the first candidate that keeps its distance from all occupied boxes."""
        for candidate in candidates:
            if self._free(candidate.box):
                self.taken.append(candidate.box)
                return candidate
        return None

    def _free(self, box: Box) -> bool:
        left, top, right, bottom = self.inner
        inside = left <= box[0] and top <= box[1] and box[2] <= right and box[3] <= bottom
        return inside and all(_apart(box, other) >= CLEAR_MM - _ROUNDING for other in self.taken)


def _apart(a: Box, b: Box) -> float:
    """Return the distance of two boxes along the axis on which they are farther apart; negative: overlap."""
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3])


def _stop_marks(bed: Bed, step: int) -> Iterator[CutMark]:
    """Yield positions above (``step`` -1) or below the bed (1), outwards."""
    left, right = bed.stop_x - LINE_MM / 2, bed.stop_x + LINE_MM / 2
    for gap in np.arange(CLEAR_MM, MARK_REACH_MM, 0.1).tolist():
        top = bed.y - gap - MARK_MM if step < 0 else bed.y + bed.h + gap
        yield CutMark((left, top, right, top + MARK_MM))


def _around(patch: Patch) -> Iterator[PrintedText]:
    """Yield positions below, then above the patch: left, middle, right."""
    spare = patch.w - stringWidth(patch.id, FONT, NAME_MM)
    for y in (patch.y + patch.h + CLEAR_MM + CAPITALS * NAME_MM, patch.y - CLEAR_MM - BELOW * NAME_MM):
        for share in (0.0, 0.5, 1.0):
            yield PrintedText(patch.id, patch.x + share * spare, y, NAME_MM)


def _beside(bar: ScaleBar) -> Iterator[PrintedText]:
    """Yield positions below, then above the bar, centred, outwards."""
    text = f"{bar.length:g} mm: measure this line before use"
    x = bar.x + (bar.length - stringWidth(text, FONT, NAME_MM)) / 2
    gaps = np.arange(0.5, 5.0, 0.1)
    for y in np.concatenate([gaps + CAPITALS * NAME_MM, -gaps]).tolist():
        yield PrintedText(text, x, bar.y + y, NAME_MM)


def _across(card: CardLayout, text: str) -> Iterator[PrintedText]:
    """Yield positions centred on the card, from the top downwards."""
    x = (card.size[0] - stringWidth(text, FONT, WORDS_MM)) / 2
    for y in np.arange(0.0, card.size[1], 0.5).tolist():
        yield PrintedText(text, x, y, WORDS_MM)
