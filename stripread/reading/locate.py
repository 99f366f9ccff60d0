"""Finding the card: its corner markers (AprilTag 36h11) to a homography from millimetres to pixels.

The dictionary is cut to the codes of the print runs that are expected, which is faster and mistakes less.
Which corner is which follows from the layout, never from the detector. Edges of dark patches show how a bent card or
the lens displaces the print (`edges.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from stripread.reading.edges import (
    MARKER_MM,
    PATCH_MM,
    Displacement,
    Grey,
    fit_displacement,
    fit_sides,
    patch_places,
    project,
    worst,
)
from stripread.reading.photo import Pixels

Array = NDArray[np.float64]

#: Print runs that the family's 587 codes leave room for, four corners each.
RUNS = range(146)
Pass = tuple[int, tuple[int, int, int], float]
#: Passes of the search: shrink of the picture, adaptive-threshold windows (first, last, step), constant.
_PASSES: tuple[Pass, ...] = (
    (2, (23, 23, 10), 7.0),
    (2, (3, 23, 10), 7.0),
    (4, (13, 23, 10), 7.0),
    (1, (3, 23, 10), 7.0),
    (1, (5, 85, 20), 3.0),
)


class FailureReason(Enum):
    """Why no card was located; the value is the flag."""

    NO_MARKER = "no-card"
    TOO_FEW_MARKERS = "card-partial"
    MIRRORED = "mirrored"
    SEVERAL = "several-cards"


@dataclass(frozen=True, slots=True)
class LocationFailure:
    """No homography: why, and the markers that were seen."""

    reason: FailureReason
    markers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class CardLocation:
    """``homography`` (3, 3) maps card millimetres to decoded pixels, pixel centres at whole numbers.

    ``markers``: the corners seen, 0 to 3. ``edge_mm``: standard deviation of the blur across marker
    edges, in card millimetres, the worst direction. ``px_per_mm``: the smallest scale over the card.
    ``by_hand``: a person placed the corners, and the blur is that across the patches' edges. ``displacement``: of the
    print, in millimetres, from where the homography has it.
    """

    run: int
    homography: Array
    markers: tuple[int, ...]
    edge_mm: float
    px_per_mm: float
    displacement: Displacement
    by_hand: bool = False

    def to_px(self, mm: Array) -> Array:
        """Points (..., 2) in millimetres to decoded pixels (..., 2)."""
        return project(self.homography, mm + self.displacement.at(mm))

    def grids_to_px(self, grids: Array) -> Array:
        """The same for small grids (n, k, 2) of points, each displaced as its middle is."""
        if self.displacement.is_none:
            return project(self.homography, grids)
        return project(self.homography, grids + self.displacement.at(grids.mean(axis=1))[:, None])

    def to_mm(self, px: Array) -> Array:
        """Decoded pixels (..., 2) to points in millimetres: the displacement changes little over its own length."""
        flat = project(np.asarray(np.linalg.inv(self.homography), dtype=np.float64), px)
        return np.asarray(flat - self.displacement.at(flat - self.displacement.at(flat)))


def locate(pixels: Pixels, card: CardLayout, runs: Iterable[int]) -> CardLocation | LocationFailure:
    """Locate the card in pixels (h, w, 3), blue, green, red, looking for ``runs`` first, then for any.

    A marker that is seen twice, or markers of two print runs, belong to two cards: which of them is meant is unknown.
    """
    grey = grey_of(pixels)
    markers, twice = _search(grey, runs)
    if len(markers) < 3:
        markers, twice = max((markers, twice), _search(grey, RUNS), key=lambda search: len(search[0]))
    if not markers:
        mirrored, _ = _search(np.ascontiguousarray(grey[:, ::-1]), list(runs) or RUNS, passes=_PASSES[:2])
        return LocationFailure(FailureReason.MIRRORED if mirrored else FailureReason.NO_MARKER)
    run = _majority([code // 4 for code in markers])
    own_markers = {code % 4: corners for code, corners in markers.items() if code // 4 == run}
    if twice or len(markers) - len(own_markers) > 1:
        return LocationFailure(FailureReason.SEVERAL, tuple(sorted(own_markers)))
    if len(own_markers) < 3:
        return LocationFailure(FailureReason.TOO_FEW_MARKERS, tuple(sorted(own_markers)))
    return _refined(grey, card, run, own_markers)


def grey_of(pixels: Pixels) -> Grey:
    """Grey levels (h, w) of 8 bits."""
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    return np.asarray(cv2.cvtColor(eight, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def _majority(runs: Sequence[int]) -> int:
    return max(sorted(set(runs)), key=runs.count)


def _detector(codes: Sequence[int], windows: tuple[int, int, int], constant: float) -> cv2.aruco.ArucoDetector:
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    cut = cv2.aruco.Dictionary(family.bytesList[list(codes)].copy(), 6, family.maxCorrectionBits)
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = windows[:2]
    parameters.adaptiveThreshWinSizeStep = windows[2]
    parameters.adaptiveThreshConstant = constant
    return cv2.aruco.ArucoDetector(cut, parameters)


def _search(grey: Grey, runs: Iterable[int], passes: Sequence[Pass] = _PASSES) -> tuple[dict[int, Array], bool]:
    """Corners (4, 2) of each code found, by code, and whether one was seen twice; passes go on until four are seen."""
    codes = [4 * run + corner for run in runs for corner in range(4)]
    markers: dict[int, Array] = {}
    twice = False
    if not codes:
        return markers, twice
    for shrink, windows, constant in passes:
        small = grey if shrink == 1 else cv2.resize(grey, None, None, 1 / shrink, 1 / shrink, cv2.INTER_AREA)
        corners, ids, _ = _detector(codes, windows, constant).detectMarkers(small)
        # The stubs do not know that ids is None when nothing is seen.
        for quad, index in zip(corners, np.ravel(ids).tolist() if len(corners) else [], strict=True):
            corners_px = (np.asarray(quad[0], dtype=np.float64) + 0.5) * shrink - 0.5
            earlier = markers.setdefault(codes[int(index)], corners_px)
            twice |= earlier is not corners_px and _apart(corners_px, earlier)
        if len(markers) >= 4:
            break
    return markers, twice


def _apart(quad: Array, other: Array) -> bool:
    """Return whether two markers (4, 2) are in different places, not one marker seen twice."""
    side = np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).max()
    return bool(np.linalg.norm(quad.mean(axis=0) - other.mean(axis=0)) > side)


def _refined(grey: Grey, card: CardLayout, run: int, seen: dict[int, Array]) -> CardLocation:
    corners_mm = marker_corners_mm(card)
    order = sorted(seen)
    centres = np.array([seen[k].mean(axis=0) for k in order])
    rough = _from_centres(corners_mm[order].mean(axis=1), centres)
    quads = np.array([_in_order(seen[k], project(rough, corners_mm[k])) for k in order])
    side_px = np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2)
    blur = np.zeros(1)
    for _ in range(2):
        quads, blur = fit_sides(grey, quads)
    fitted, _ = cv2.findHomography(corners_mm[order].reshape(-1, 2), quads.reshape(-1, 2), 0)
    homography = np.asarray(fitted, dtype=np.float64)
    return CardLocation(run=run, homography=homography, markers=tuple(order), edge_mm=worst(blur) * card.markers.side,
                        px_per_mm=float(side_px.min()) / card.markers.side,
                        displacement=_displacement(grey, card, homography, (corners_mm[order], quads)))


def _displacement(grey: Grey, card: CardLayout, homography: Array, markers: tuple[Array, Array]) -> Displacement:
    """From dark patches and the ``markers``, their corners (m, 4, 2) in millimetres and in pixels."""
    patches = patch_places(grey, card, homography)
    back = np.asarray(np.linalg.inv(homography), dtype=np.float64)
    # Blur moves the edges of one patch apart or together, and leaves its middle where it is.
    places, corners = (np.vstack(both) for both in zip(markers, patches, strict=True))
    sd = np.repeat([MARKER_MM, PATCH_MM], [len(markers[0]), len(patches[0])])
    return fit_displacement(card.size, places.mean(axis=1), project(back, corners).mean(axis=1), sd)


def marker_corners_mm(card: CardLayout) -> Array:
    """The four corners of each marker, (4 markers, 4 corners, 2), both clockwise from top-left."""
    side = card.markers.side
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]])
    return np.asarray(np.array(card.markers.top_left_corners)[:, None] + square, dtype=np.float64)


def _from_centres(mm: Array, px: Array) -> Array:
    if len(mm) >= 4:
        return np.asarray(cv2.getPerspectiveTransform(mm.astype(np.float32), px.astype(np.float32)), dtype=np.float64)
    affine = np.linalg.solve(np.column_stack([mm, np.ones(3)]), px)
    return np.vstack([affine.T, [0.0, 0.0, 1.0]])


#: Order of a quad's corners, from each of them on.
_TURNS = (np.arange(4)[:, None] + np.arange(4)) % 4


def _in_order(quad: Array, predicted: Array) -> Array:
    """The quad's corners turned so that they follow the predicted ones."""
    turns = quad[_TURNS]
    off = turns - quad.mean(axis=0) - (predicted - predicted.mean(axis=0))
    return np.asarray(turns[np.square(off).sum(axis=(1, 2)).argmin()])
