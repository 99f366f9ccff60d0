"""What is printed on a card besides patches, bed and markers: names, lines and words, and where they fit.

Words keep clear of everything printed and of the bare paper that a reading samples, so that none of them
changes a reading; a name for which there is no room is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from reportlab.pdfbase.pdfmetrics import stringWidth

from shared.card import CardLayout, Patch, ScaleBar
from stripread.reading.patches import PAPER_SQUARE, paper_places

Box = tuple[float, float, float, float]

PRINT_ADVICE = "Print at 100 % on matt, water-resistant stock."
FONT = "Helvetica"
#: Heights of that font's capitals and of what hangs below the line, as shares of its size (Adobe AFM).
CAPITALS, BELOW = 0.718, 0.207
#: Sizes of patch names and of the card's words, and what stays free around ink, the rim included, mm.
NAME_MM, WORDS_MM, CLEAR_MM = 1.8, 2.4, 0.4
#: How far the marks at the stop line stand from the bed, how long and how wide they are, mm.
_MARK_GAP, _MARK_LENGTH, LINE_MM = 0.5, 1.5, 0.25
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Words:
    """Text whose base line starts at ``x``, ``y`` (mm from the card's top left), ``size`` mm high."""

    text: str
    x: float
    y: float
    size: float

    @property
    def box(self) -> Box:
        """Left, top, right, bottom of the ink."""
        width = stringWidth(self.text, FONT, self.size)
        return (self.x, self.y - CAPITALS * self.size, self.x + width, self.y + BELOW * self.size)


def stop_marks(card: CardLayout) -> tuple[Box, Box]:
    """The two marks above and below the bed at the stop line."""
    left, right = card.bed.stop_x - LINE_MM / 2, card.bed.stop_x + LINE_MM / 2
    above, below = card.bed.y - _MARK_GAP, card.bed.y + card.bed.h + _MARK_GAP
    return (left, above - _MARK_LENGTH, right, above), (left, below, right, below + _MARK_LENGTH)


def words(card: CardLayout, run: int) -> tuple[Words, ...]:
    """Names of the patches and the card's words, each where it found room."""
    room = _Room(card)
    placed = [room.first(_around(patch)) for patch in card.patches]
    placed.append(room.first(_under(card.scale_bar)))
    placed += [room.first(_anywhere(card, text)) for text in (
        f"{card.name}, print run {run}",
        PRINT_ADVICE,
        "Lay the strip on the grey bed: tip between the two marks, handle to the right.",
    )]
    return tuple(w for w in placed if w is not None)


class _Room:
    """Boxes taken so far; grows with every word that is placed."""

    def __init__(self, card: CardLayout) -> None:
        width, height = card.size
        quiet, side = card.markers.quiet_zone, card.markers.side
        half, bar = PAPER_SQUARE / 2, card.scale_bar
        self.inner = (CLEAR_MM, CLEAR_MM, width - CLEAR_MM, height - CLEAR_MM)
        bed = card.bed
        self.taken: list[Box] = [(bed.x, bed.y, bed.x + bed.w, bed.y + bed.h)]
        self.taken += [(p.x, p.y, p.x + p.w, p.y + p.h) for p in card.patches]
        self.taken += [(x - quiet, y - quiet, x + side + quiet, y + side + quiet)
                       for x, y in card.markers.top_left_corners]
        self.taken += [(x - half, y - half, x + half, y + half) for x, y in paper_places(card)]
        self.taken += [(bar.x, bar.y, bar.x + bar.length, bar.y), *stop_marks(card)]

    def first(self, candidates: Iterable[Words]) -> Words | None:
        """The first candidate that overlaps nothing, which then takes its place."""
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
    """Distance of two boxes along the axis on which they are farther apart; negative where they overlap."""
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3])


def _around(patch: Patch) -> Iterator[Words]:
    """Below, then above the patch: at its left, middle and right."""
    spare = patch.w - stringWidth(patch.id, FONT, NAME_MM)
    below, above = patch.y + patch.h + CLEAR_MM + CAPITALS * NAME_MM, patch.y - CLEAR_MM - BELOW * NAME_MM
    for y in (below, above):
        for share in (0.0, 0.5, 1.0):
            yield Words(patch.id, patch.x + share * spare, y, NAME_MM)


def _under(bar: ScaleBar) -> Iterator[Words]:
    """Below, then above the bar, at its middle."""
    text = f"{bar.length:g} mm: measure this line before use"
    x = bar.x + (bar.length - stringWidth(text, FONT, NAME_MM)) / 2
    for y in np.concatenate([np.arange(0.5, 5.0, 0.1) + CAPITALS * NAME_MM, -np.arange(0.5, 5.0, 0.1)]):
        yield Words(text, x, bar.y + float(y), NAME_MM)


def _anywhere(card: CardLayout, text: str) -> Iterator[Words]:
    """In the middle of the card's width, from the top downwards."""
    x = (card.size[0] - stringWidth(text, FONT, WORDS_MM)) / 2
    for y in np.arange(0.0, card.size[1], 0.5):
        yield Words(text, x, float(y), WORDS_MM)
