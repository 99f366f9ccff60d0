"""The card and the strip as a map of regions, each with one reflectance spectrum."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from io import BytesIO
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from shared.card import BED, CELLS, PAPER, CardLayout, default_card, marker_cells
from shared.colour import WAVELENGTHS_NM
from shared.profile import PrintProfile, profile_of
from shared.strip import StripType, default_strip
from stripread.demo.dyes import NM, Array
from stripread.report.card_pdf import ink

Regions = NDArray[np.uint8]

#: Resolution of the map, pixels per mm: twice that of a photograph.
PX_PER_MM: Final = 8
#: The print run of the company's cards.
RUN: Final = 12
#: Reflectance of black ink and of the strip's plastic; regions that the card itself needs: paper, ink, bed, patches.
_INK, _PLASTIC = 0.04, 0.88
_PAPER_REGION, _INK_REGION, _BED_REGION, _PATCHES_FROM = 0, 1, 2, 3


@dataclass(frozen=True, slots=True)
class PrintedCard:
    """``regions`` (h, w): number of each pixel's region; ``reflectance`` (n, 61) of the regions."""

    regions: Regions
    reflectance: Array


def profile_text() -> str:
    """Return the profile of the company's print run, CGATS.17."""
    return files("stripread.demo").joinpath(f"data/card-run-{RUN:03}.txt").read_text(encoding="ascii")


@cache
def print_profile() -> PrintProfile:
    """Return the profile of the company's print run."""
    return profile_of(profile_text(), f"print run {RUN}")


@cache
def printed_card() -> PrintedCard:
    """Return the company's card without a strip."""
    card = default_card()
    width, height = (round(side * PX_PER_MM) for side in card.size)
    regions = np.full((height, width), _PAPER_REGION, dtype=np.uint8)
    _fill(regions, (card.bed.x, card.bed.y, card.bed.w, card.bed.h), _BED_REGION)
    for n, patch in enumerate(card.patches):
        _fill(regions, (patch.x, patch.y, patch.w, patch.h), _PATCHES_FROM + n)
    for code, corner in zip(card.marker_ids(RUN), card.markers.top_left_corners, strict=True):
        _marker(regions, code, corner, side=card.markers.side)
    regions[_written(card, width, height)] = _INK_REGION
    return PrintedCard(regions, _card_reflectance(card))


def with_strip(card: PrintedCard, pads: Array, corner: tuple[float, float], turn: float) -> PrintedCard:
    """Return the card with a strip on its bed.

    ``pads`` (n, 61): reflectance of the pads; ``corner``: of the strip's axis at its tip, mm; ``turn``: radians.
    """
    strip, first, regions = default_strip(), len(card.reflectance), card.regions.copy()
    _turned_box(regions, (0.0, strip.length, strip.width), (corner, turn), first)
    for n, pad in enumerate(strip.pads):
        start = pad.centre - strip.pad_size[0] / 2
        _turned_box(regions, (start, start + strip.pad_size[0], strip.pad_size[1]), (corner, turn), first + 1 + n)
    return PrintedCard(regions, np.vstack([card.reflectance, np.full((1, len(NM)), _PLASTIC), pads]))


def strip_type() -> StripType:
    """Return the strip type that the company uses."""
    return default_strip()


def _fill(regions: Regions, box: tuple[float, float, float, float], region: int) -> None:
    x, y, w, h = (round(v * PX_PER_MM) for v in box)
    regions[y:y + h, x:x + w] = region


def _marker(regions: Regions, code: int, corner: tuple[float, float], *, side: float) -> None:
    cell = round(side / CELLS * PX_PER_MM)
    x, y = (round(v * PX_PER_MM) for v in corner)
    cells = np.kron(marker_cells(code), np.ones((cell, cell), dtype=bool))
    regions[y:y + len(cells), x:x + len(cells)] = np.where(cells, _PAPER_REGION, _INK_REGION)


def _written(card: CardLayout, width: int, height: int) -> NDArray[np.bool_]:
    """Return where texts, marks and the scale bar are printed, (h, w)."""
    picture = Image.new("L", (width, height))
    draw, face = ImageDraw.Draw(picture), files("stripread.report.document").joinpath("roboto/Roboto-Regular.ttf")
    extra, bar = ink(card, RUN), card.scale_bar
    for left, top, right, bottom in (*(m.box for m in extra.marks), (bar.x, bar.y, bar.x + bar.length, bar.y + 0.3)):
        draw.rectangle([v * PX_PER_MM for v in (left, top, right, bottom)], fill=255)
    for text in extra.words:
        font = ImageFont.truetype(BytesIO(face.read_bytes()), text.size * PX_PER_MM)
        draw.text((text.x * PX_PER_MM, text.y * PX_PER_MM), text.text, fill=255, font=font, anchor="ls")
    return np.asarray(picture) > 127


def _card_reflectance(card: CardLayout) -> Array:
    measured = print_profile().spectra_of([PAPER, BED, *card.patch_ids])
    spectra = [] if measured is None else [np.interp(NM, WAVELENGTHS_NM, spectrum) for spectrum in measured]
    return np.vstack([spectra[:1], np.full((1, len(NM)), _INK), spectra[1:]])


def _turned_box(regions: Regions, box: tuple[float, float, float], place: tuple[tuple[float, float], float],
                region: int) -> None:
    """Fill a rectangle along the strip's axis: start, end and width in mm, at a place turned by an angle."""
    (start, end, width), (corner, turn) = box, place
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    rim = [np.array(corner) + s * along + t * across
           for s, t in ((start, -width / 2), (end, -width / 2), (end, width / 2), (start, width / 2))]
    points = np.rint((np.array(rim) * PX_PER_MM - 0.5) * 16).astype(np.int32)
    cv2.fillConvexPoly(regions, points, region, shift=4)
