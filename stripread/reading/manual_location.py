"""Card or pads placed by hand, where a reviewer sees what the program does not: hidden markers, a covered end."""

from __future__ import annotations

import re
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from shared.errors import InputError
from shared.profile import PrintProfile
from shared.strip import StripType
from stripread.reading import edges
from stripread.reading.edges import patch_edges
from stripread.reading.locate import CardLocation, grey_of
from stripread.reading.photo import Photo
from stripread.reading.result import ManualLocation, Point, Quad
from stripread.reading.strip_finding import FoundStrip

Array = NDArray[np.float64]

_POINT = re.compile(r"(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?)")
#: A placed pad may lie this far (mm) from the straight strip through all that were placed.
_STRAIGHT_MM = 2.0
#: Shares of the picture: how far a corner may lie beyond its rim, and how much of it a card takes at least.
_BEYOND, _LEAST_SPAN = 0.1, 0.05




def corners_from_text(text: str) -> Quad:
    """Four points ``x,y x,y x,y x,y``. Raises InputError."""
    points = [_POINT.fullmatch(word) for word in text.split()]
    matches = [m for m in points if m]
    if len(points) != 4 or len(matches) != 4:
        raise InputError("these are not four corners", where="--corners", found=text,
                         allowed="x,y x,y x,y x,y in pixels of the upright photograph, from top left clockwise")
    corners = np.array([[float(m[1]), float(m[2])] for m in matches])
    side = np.roll(corners, -1, axis=0) - corners
    after = np.roll(side, -1, axis=0)
    if (side[:, 0] * after[:, 1] <= side[:, 1] * after[:, 0]).any():
        raise InputError("the corners are not in order around the card", where="--corners", found=text,
                         allowed="top left, top right, bottom right, bottom left, of the upright print")
    return points_of(corners)


def points_of(corners: Array) -> Quad:
    """Corners (4, 2) as plain numbers."""
    a, b, c, d = ((float(x), float(y)) for x, y in corners)
    return (a, b, c, d)


def pads_from_text(words: Sequence[str], kind: StripType) -> dict[str, Point]:
    """Pads ``analyte=x,y`` by analyte. Raises InputError."""
    names = [p.analyte for p in kind.pads]
    pads = {}
    for word in words:
        analyte, _, place = word.partition("=")
        point = _POINT.fullmatch(place)
        if analyte not in names or point is None:
            raise InputError("is not the position of a pad", where="--pads", found=word,
                             allowed=f"{' or '.join(names)}, =x,y")
        pads[analyte] = (float(point[1]), float(point[2]))
    if len(pads) == 1:
        raise InputError("one pad does not determine the orientation of the strip", where="--pads", found=words[0],
                         allowed="two pads or more", remedy="place the first and the last pad")
    return pads


def manual_card(
    manual: ManualLocation | None, photo: Photo, card: CardLayout, profiles: Sequence[PrintProfile]
) -> CardLocation | None:
    """The card where its corners were placed, or None where they were not. Raises InputError without a print run."""
    if manual is None or manual.corners is None:
        return None
    known = {p.run for p in profiles if p.run is not None}
    run = manual.run if manual.run is not None else next(iter(known)) if len(known) == 1 else None
    if run is None:
        raise InputError("the print run of the manually located card is unknown", where=photo.name,
                         found=f"{len(known)} profiles", allowed="one profile, or --run", remedy="name it with --run")
    corners = np.array(manual.corners)
    _check_in_picture(corners, photo)
    width, height = card.size
    rim = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float32)
    px = corners / photo.shrink - 0.5
    homography = np.asarray(cv2.getPerspectiveTransform(rim, px.astype(np.float32)), dtype=np.float64)
    sides = np.linalg.norm(np.roll(px, -1, axis=0) - px, axis=1) / [width, height, width, height]
    blur = patch_edges(grey_of(photo.pixels), card, homography).blur_mm
    return CardLocation(
        run=run, homography=homography, markers=(), edge_mm=blur, px_per_mm=float(sides.min()),
        displacement=edges.none(card.size), by_hand=True)


def _check_in_picture(corners: Array, photo: Photo) -> None:
    """Corners may lie a little beyond the picture's rim, and the card must have some size in it."""
    height, width = (side * photo.shrink for side in photo.pixels.shape[:2])
    spare = _BEYOND * np.array([width, height])
    span = np.ptp(corners, axis=0) / [width, height]
    if (corners < -spare).any() or (corners > np.array([width, height]) + spare).any() or span.min() < _LEAST_SPAN:
        raise InputError("the corners are not those of a card in this picture", where="--corners",
                         found=" ".join(f"{x:g},{y:g}" for x, y in corners),
                         allowed=f"pixels of the upright photograph, 0,0 to {width:g},{height:g}")


def manual_strip(
    manual: ManualLocation | None, photo: Photo, located: CardLocation, kind: StripType
) -> FoundStrip | None:
    """The strip through the pads that were placed, or None. Raises InputError if they do not line up."""
    if manual is None or not manual.pads:
        return None
    px = np.array(list(manual.pads.values())) / photo.shrink - 0.5
    mm = located.to_mm(px)
    distance = np.array([kind.pad(a).centre for a in manual.pads])
    middle, centred = mm.mean(axis=0), distance - distance.mean()
    along = centred @ (mm - middle)
    along /= np.linalg.norm(along)
    tip = middle - distance.mean() * along
    off = np.linalg.norm(tip + distance[:, None] * along - mm, axis=1)
    if off.max() > _STRAIGHT_MM:
        raise InputError("the positions of the pads do not match this strip type", where="--pads",
                         found=f"{list(manual.pads)[int(off.argmax())]} {off.max():.1f} mm off",
                         allowed=f"{_STRAIGHT_MM:g} mm", remedy="place them again, or check the chart's strip type")
    return FoundStrip(tip, along, bool(along[0] < 0), by_hand=True)
