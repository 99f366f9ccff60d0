"""Edges of markers and patches, to a tenth of a pixel.

They are refined in linear light, where lens blur is symmetric: in encoded values every black edge seems to lie inside
its true place.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

#: Edge profiles: how many a side, how many samples across, and how far across as a share of the marker's
#: side: three quarters of one of its 8 modules, so that only the black border's edge is seen.
_PROFILES, _SAMPLES, _REACH = 24, 17, 0.75 / 8
#: Patches with less lightness (CIELAB) by design have clear edges on the paper; how far across these (mm) one looks:
#: a little more than half of the gap to the next, where blur begins to be too much.
_DARK_PATCH, _PATCH_REACH_MM = 65.0, 1.2
#: The same where only the places of the edges count: less than half of the gap, so that the next patch is never seen;
#: and samples across, closer than the pixels of a sharp scan.
_PLACE_REACH_MM, _PLACE_SAMPLES = 0.9, 41


def project(homography: Array, points: Array) -> Array:
    """Points (..., 2) through a homography (3, 3)."""
    depth = points @ homography[2, :2] + homography[2, 2]
    return np.asarray((points @ homography[:2, :2].T + homography[:2, 2]) / depth[..., None])


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
    places, side = dark_patches(card)
    corners, blur = fit_sides(grey, project(homography, places), _PATCH_REACH_MM / side)
    return PatchEdges(places, corners, worst(blur) * side)


def patch_places(grey: Grey, card: CardLayout, homography: Array) -> tuple[Array, Array]:
    """Corners (m, 4, 2) of every second dark patch: in the layout, in millimetres, and as seen, in pixels."""
    places, side = dark_patches(card)
    places = places[::2]
    return places, fit_sides(grey, project(homography, places), _PLACE_REACH_MM / side, _PLACE_SAMPLES)[0]


def dark_patches(card: CardLayout) -> tuple[Array, float]:
    """Corners (m, 4, 2) of patches with clear edges on the paper, and the usual length of their sides; mm."""
    dark = [p for p, lab in zip(card.patches, card.nominal_lab(), strict=True) if lab[0] < _DARK_PATCH]
    places = np.array([[(p.x, p.y), (p.x + p.w, p.y), (p.x + p.w, p.y + p.h), (p.x, p.y + p.h)] for p in dark])
    return places, float(np.median([(p.w, p.h) for p in dark]))


def fit_sides(grey: Grey, quads: Array, reach: float = _REACH,
              samples: int = _SAMPLES) -> tuple[Array, Array]:
    """Straight lines through the sides' edge profiles; corners where they cross, and the blur of each side.

    ``quads`` (m, 4, 2) in, the same shape out; blur (m, 4): standard deviation across the edge. ``reach``, how far
    across an edge lies what is looked at, and blur are shares of the quad's side.
    """
    following, previous = np.roll(quads, -1, axis=1), np.roll(quads, 1, axis=1)
    along = following - quads
    across = (quads - previous + following - np.roll(quads, -2, axis=1)) / 2 * reach
    t = np.linspace(0.06, 0.94, _PROFILES)[:, None]
    s = np.linspace(-1.0, 1.0, samples)
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
    quarters = np.array([[np.interp((0.25, 0.75), r, s) for r in marker] for marker in rise])
    return np.asarray((quarters[..., 1] - quarters[..., 0]) / 1.349)


_SRGB_TO_LINEAR = np.where(
    np.arange(256) <= 10, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
).astype(np.float32)


def _linear_samples(grey: Grey, points: Array) -> Array:
    """Linear light at pixel positions (..., 2); the bounding box of the points is linearised, no more."""
    x, y = (np.ascontiguousarray(points[..., i]).reshape(len(points), -1) for i in (0, 1))
    height, width = grey.shape
    # What lies outside the picture looks like its rim.
    left, top = (_within(np.floor(p.min(axis=1)) - 1, 0, end - 1) for p, end in ((x, width), (y, height)))
    right, bottom = (_within(np.ceil(p.max(axis=1)) + 2, low + 1, end)
                     for p, low, end in ((x, left, width), (y, top, height)))
    across, down = ((p - low[:, None]).astype(np.float32) for p, low in ((x, left), (y, top)))
    out = np.empty(x.shape)
    for k in range(len(out)):
        patch = cv2.LUT(grey[top[k] : bottom[k], left[k] : right[k]], _SRGB_TO_LINEAR)
        out[k] = cv2.remap(patch, across[k, None], down[k, None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    return out.reshape(points.shape[:-1])


def _within(places: Array, least: NDArray[np.intp] | int, most: int) -> NDArray[np.intp]:
    """Whole pixels (n,), moved between ``least`` and ``most``."""
    return np.clip(places.astype(np.intp), least, most)


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


def worst(blur: Array) -> float:
    """The worse of the two directions, each the median of its sides, so that one covered side does not count."""
    return float(max(np.median(blur[:, 0::2]), np.median(blur[:, 1::2])))
