"""Finding the card: its corner markers (AprilTag 36h11) to a homography from millimetres to pixels.

The dictionary is cut to the codes of the print runs that are expected, which is faster and mistakes less.
Marker edges are refined in linear light, where lens blur is symmetric: in encoded values every black edge
seems to lie inside its true place. Which corner is which follows from the layout, never from the detector.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from stripread.reading.photo import Pixels

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

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
#: Edge profiles: how many a side, how many samples across, and how far across as a share of the marker's
#: side: three quarters of one of its 8 modules, so that only the black border's edge is seen.
_PROFILES, _SAMPLES, _REACH = 24, 17, 0.75 / 8
#: Patches with less lightness (CIELAB) by design have clear edges on the paper; how far across these (mm) one looks:
#: a little more than half of the gap to the next, where blur begins to be too much.
_DARK_PATCH, _PATCH_REACH_MM = 65.0, 1.2


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
    ``by_hand``: a person placed the corners, and the blur is that across the patches' edges.
    """

    run: int
    homography: Array
    markers: tuple[int, ...]
    edge_mm: float
    px_per_mm: float
    by_hand: bool = False

    def to_px(self, mm: Array) -> Array:
        """Points (..., 2) in millimetres to decoded pixels (..., 2)."""
        return project(self.homography, mm)


def project(homography: Array, points: Array) -> Array:
    """Points (..., 2) through a homography (3, 3)."""
    depth = points @ homography[2, :2] + homography[2, 2]
    return np.asarray((points @ homography[:2, :2].T + homography[:2, 2]) / depth[..., None])


def locate(pixels: Pixels, card: CardLayout, runs: Iterable[int]) -> CardLocation | LocationFailure:
    """Locate the card in pixels (h, w, 3), blue, green, red, looking for ``runs`` first, then for any.

    A marker that is seen twice, or markers of two print runs, belong to two cards: which of them is meant is unknown.
    """
    grey = grey_of(pixels)
    found, twice = _search(grey, runs)
    if len(found) < 3:
        found, twice = max((found, twice), _search(grey, RUNS), key=lambda search: len(search[0]))
    if not found:
        mirrored, _ = _search(np.ascontiguousarray(grey[:, ::-1]), list(runs) or RUNS, passes=_PASSES[:2])
        return LocationFailure(FailureReason.MIRRORED if mirrored else FailureReason.NO_MARKER)
    run = _majority([code // 4 for code in found])
    own_markers = {code % 4: corners for code, corners in found.items() if code // 4 == run}
    if twice or len(found) - len(own_markers) > 1:
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
    found: dict[int, Array] = {}
    twice = False
    if not codes:
        return found, twice
    for shrink, windows, constant in passes:
        small = grey if shrink == 1 else cv2.resize(grey, None, None, 1 / shrink, 1 / shrink, cv2.INTER_AREA)
        corners, ids, _ = _detector(codes, windows, constant).detectMarkers(small)
        # The stubs do not know that ids is None when nothing is seen.
        for quad, index in zip(corners, np.ravel(ids).tolist() if len(corners) else [], strict=True):
            corners_px = (np.asarray(quad[0], dtype=np.float64) + 0.5) * shrink - 0.5
            twice |= _apart(corners_px, found.setdefault(codes[int(index)], corners_px))
        if len(found) >= 4:
            break
    return found, twice


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
        quads, blur = _fit_sides(grey, quads)
    fitted, _ = cv2.findHomography(corners_mm[order].reshape(-1, 2), quads.reshape(-1, 2), 0)
    homography = np.asarray(fitted, dtype=np.float64)
    return CardLocation(run=run, homography=homography, markers=tuple(order), edge_mm=_worst(blur) * card.markers.side,
                   px_per_mm=float(side_px.min()) / card.markers.side)


def _worst(blur: Array) -> float:
    """The worse of the two directions, each the median of its sides, so that one covered side does not count."""
    return float(max(np.median(blur[:, 0::2]), np.median(blur[:, 1::2])))


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


def _in_order(quad: Array, predicted: Array) -> Array:
    """The quad's corners turned so that they follow the predicted ones."""
    turns = [np.roll(quad, k, axis=0) for k in range(4)]
    middle = predicted - predicted.mean(axis=0)
    return min(turns, key=lambda q: float(((q - q.mean(axis=0) - middle) ** 2).sum()))


@dataclass(frozen=True, slots=True)
class PatchEdges:
    """Corners of dark patches: where the layout has them (m, 4, 2) in millimetres, where they are seen in pixels.

    ``blur_mm``: standard deviation of the blur across their edges, in card millimetres, the worst direction.
    """

    places: Array
    corners: Array
    blur_mm: float


def patch_edges(grey: Grey, card: CardLayout, homography: Array) -> PatchEdges:
    """The edges of the dark patches near to where ``homography`` has them."""
    dark = [p for p, lab in zip(card.patches, card.nominal_lab(), strict=True) if lab[0] < _DARK_PATCH]
    places = np.array([[(p.x, p.y), (p.x + p.w, p.y), (p.x + p.w, p.y + p.h), (p.x, p.y + p.h)] for p in dark])
    side = float(np.median([(p.w, p.h) for p in dark]))
    corners, blur = _fit_sides(grey, project(homography, places), _PATCH_REACH_MM / side)
    return PatchEdges(places, corners, _worst(blur) * side)


def _fit_sides(grey: Grey, quads: Array, reach: float = _REACH) -> tuple[Array, Array]:
    """Straight lines through the sides' edge profiles; corners where they cross, and the blur of each side.

    ``quads`` (m, 4, 2) in, the same shape out; blur (m, 4): standard deviation across the edge. ``reach``, how far
    across an edge lies what is looked at, and blur are shares of the quad's side.
    """
    following, previous = np.roll(quads, -1, axis=1), np.roll(quads, 1, axis=1)
    along = following - quads
    across = (quads - previous + following - np.roll(quads, -2, axis=1)) / 2 * reach
    t = np.linspace(0.06, 0.94, _PROFILES)[:, None]
    s = np.linspace(-1.0, 1.0, _SAMPLES)
    base = quads[:, :, None] + along[:, :, None] * t
    points = base[:, :, :, None] + across[:, :, None, None] * s[:, None]
    light = _linear_samples(grey, points)
    step = np.abs(np.diff(light, axis=-1))
    step = np.maximum(step - np.median(step, axis=-1, keepdims=True), 0.0) + 1e-9
    middle = (s[1:] + s[:-1]) / 2
    weight = step / step.sum(axis=-1, keepdims=True)
    offset = (weight * middle).sum(axis=-1)
    edge = base + across[:, :, None] * offset[..., None]
    return _crossings(edge), _blur(light, s) * reach


def _blur(light: Array, s: Array) -> Array:
    """Spread (m, 4) of the sides' mean profiles, as a share of how far these reach.

    The mean over a side has little noise left; the middle half of its rise is 1.349 standard deviations wide.
    """
    mean = light.mean(axis=2)
    low, high = mean[..., :3].mean(axis=-1, keepdims=True), mean[..., -3:].mean(axis=-1, keepdims=True)
    rise = np.maximum.accumulate(np.clip((mean - low) / np.where(high == low, 1.0, high - low), 0, 1), axis=-1)
    width = [[np.interp(0.75, r, s) - np.interp(0.25, r, s) for r in marker] for marker in rise]
    return np.asarray(width) / 1.349


_SRGB_TO_LINEAR = np.where(
    np.arange(256) <= 10, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
).astype(np.float32)


def _linear_samples(grey: Grey, points: Array) -> Array:
    """Linear light at pixel positions (..., 2); the bounding box of the points is linearised, no more."""
    flat = points.reshape(points.shape[0], -1, 2)
    out = np.empty(flat.shape[:2])
    height, width = grey.shape
    for k, p in enumerate(flat):
        # What lies outside the picture looks like its rim.
        low = np.clip(np.floor(p.min(axis=0)).astype(int) - 1, 0, (width - 1, height - 1))
        high = np.clip(np.ceil(p.max(axis=0)).astype(int) + 2, low + 1, (width, height))
        patch = _SRGB_TO_LINEAR[grey[low[1] : high[1], low[0] : high[0]]]
        q = (p - low).astype(np.float32)
        out[k] = cv2.remap(patch, q[None, :, 0], q[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    return out.reshape(points.shape[:-1])


def _crossings(edge: Array) -> Array:
    """Corners (m, 4, 2) where consecutive robust lines through edge points (m, 4, n, 2) cross."""
    lines = np.array([[_line(side) for side in marker] for marker in edge])
    before = np.roll(lines, 1, axis=1)
    p, d = lines[..., 0, :], lines[..., 1, :]
    q, e = before[..., 0, :], before[..., 1, :]
    cross = d[..., 0] * e[..., 1] - d[..., 1] * e[..., 0]
    gap = q - p
    share = (gap[..., 0] * e[..., 1] - gap[..., 1] * e[..., 0]) / cross
    return np.asarray(p + d * share[..., None], dtype=np.float64)


def _line(points: Array) -> Array:
    """A point and the direction (2, 2) of a robust line through points (n, 2)."""
    vx, vy, x, y = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
    return np.array([[x, y], [vx, vy]], dtype=np.float64)
