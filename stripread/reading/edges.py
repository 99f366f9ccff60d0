"""Edges of markers and patches, to a tenth of a pixel, and where the print is against a flat card and a perfect lens.

They are refined in linear light, where lens blur is symmetric: in encoded values every black edge seems to lie inside
its true place.

A bent card and a lens move what is printed smoothly: a polynomial of degree 3 over the card (the radial distortion of a
lens begins with the third power of the distance: Brown, Photogramm. Eng. 37:855, 1971; a bent card with the second).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from stripread.reading.robust import line, median

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
    # Written out: NumPy's product of many points with a small matrix takes twice as long.
    x, y = points[..., 0], points[..., 1]
    across, down, depth = (row[0] * x + row[1] * y + row[2] for row in homography)
    out = np.empty(points.shape)
    np.divide(across, depth, out=out[..., 0])
    np.divide(down, depth, out=out[..., 1])
    return out


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
    seen = _edge_profiles(grey, project(homography, places), _PLACE_REACH_MM / side, _PLACE_SAMPLES)
    return places, _corners(*seen)


@lru_cache(maxsize=8)
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
    seen = _edge_profiles(grey, quads, reach, samples)
    return _corners(*seen), _blur(seen[0]) * reach


def _edge_profiles(grey: Grey, quads: Array, reach: float, samples: int) -> tuple[Array, Array, Array]:
    """Linear light (m, 4, profiles, samples) across the sides, where the profiles begin, and their ways across."""
    following, previous = np.roll(quads, -1, axis=1), np.roll(quads, 1, axis=1)
    along = following - quads
    across = (quads - previous + following - np.roll(quads, -2, axis=1)) / 2 * reach
    t = np.linspace(0.06, 0.94, _PROFILES)[:, None]
    s = np.linspace(-1.0, 1.0, samples)
    base = quads[:, :, None] + along[:, :, None] * t
    x, y = (base[..., i, None] + across[..., i, None, None] * s for i in (0, 1))
    return _linear_samples(grey, x, y), base, across


def _corners(light: Array, base: Array, across: Array) -> Array:
    """Corners (m, 4, 2) of quads with these edge profiles."""
    s = np.linspace(-1.0, 1.0, light.shape[-1])
    step = np.abs(np.diff(light, axis=-1))
    step = np.maximum(step - median(step), 0.0) + 1e-9
    offset = np.einsum("...s,s->...", step, (s[1:] + s[:-1]) / 2) / step.sum(axis=-1)
    return _crossings(base + across[:, :, None] * offset[..., None])


def _blur(light: Array) -> Array:
    """Spread (m, 4) of the sides' mean profiles, as a share of how far these reach.

    The mean over a side has little noise left; the middle half of its rise is 1.349 standard deviations wide.
    """
    mean, s = light.mean(axis=2), np.linspace(-1.0, 1.0, light.shape[-1])
    low, high = mean[..., :3].mean(axis=-1, keepdims=True), mean[..., -3:].mean(axis=-1, keepdims=True)
    rise = np.maximum.accumulate(np.clip((mean - low) / np.where(high == low, 1.0, high - low), 0, 1), axis=-1)
    quarters = np.array([[np.interp((0.25, 0.75), r, s) for r in marker] for marker in rise])
    return np.asarray((quarters[..., 1] - quarters[..., 0]) / 1.349)


_SRGB_TO_LINEAR = np.where(
    np.arange(256) <= 10, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
).astype(np.float32)


def _linear_samples(grey: Grey, x: Array, y: Array) -> Array:
    """Linear light at pixel positions (m, ...); the bounding box of each of the m is linearised, no more."""
    shape = x.shape
    x, y = x.reshape(len(x), -1), y.reshape(len(y), -1)
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
    return out.reshape(shape)


def _within(places: Array, least: NDArray[np.intp] | int, most: int) -> NDArray[np.intp]:
    """Whole pixels (n,), moved between ``least`` and ``most``."""
    return np.clip(places.astype(np.intp), least, most)


def _crossings(edge: Array) -> Array:
    """Corners (m, 4, 2) where consecutive robust lines through edge points (m, 4, n, 2) cross."""
    single = edge.astype(np.float32)
    lines = np.array([line(side) for quad in single for side in quad], dtype=np.float64).reshape(*edge.shape[:2], 2, 2)
    before = np.roll(lines, 1, axis=1)
    p, d = lines[..., 0, :], lines[..., 1, :]
    q, e = before[..., 0, :], before[..., 1, :]
    cross = d[..., 0] * e[..., 1] - d[..., 1] * e[..., 0]
    gap = q - p
    share = (gap[..., 0] * e[..., 1] - gap[..., 1] * e[..., 0]) / cross
    return np.asarray(p + d * share[..., None], dtype=np.float64)


def worst(blur: Array) -> float:
    """The worse of the two directions, each the median of its sides, so that one covered side does not count."""
    return float(max(np.median(blur[:, 0::2]), np.median(blur[:, 1::2])))


_POWERS = np.array([(i, j) for i in range(4) for j in range(4 - i)])
#: Displacement (mm) that a coefficient may bring, and standard deviations with which the middles of a patch and of a
#: marker are seen: the perspective comes from the edges of markers.
_USUAL_MM, PATCH_MM, MARKER_MM = 0.5, 0.05, 0.025
#: A middle farther from the others' polynomial counts less (Huber): something covers one of its edges.
_STRAY_MM, _ROUNDS = 0.15, 5
#: A card with less displacement is flat: printers move edges to whole dots (a pixel of 300 dpi is 0.085 mm).
_PRINTED_MM = 0.12
#: Share of the middles whose remaining distance is stated.
_STATED = 0.9


@dataclass(frozen=True, slots=True)
class Displacement:
    """``coefficients`` (10, 2) in millimetres over a card of ``size``.

    ``residual_mm``: what remains at nine of ten middles of patches and markers; None where nothing was fitted.
    """

    size: tuple[float, float]
    coefficients: Array
    residual_mm: float | None = None

    @property
    def is_none(self) -> bool:
        """Whether everything is where the layout has it."""
        return not self.coefficients.any()

    def at(self, mm: Array) -> Array:
        """Displacement (..., 2) in millimetres of what the layout has at places (..., 2)."""
        if self.is_none:
            return np.zeros(mm.shape)
        return np.asarray(_terms(mm, self.size) @ self.coefficients)


def none(size: tuple[float, float]) -> Displacement:
    """No displacement: what the corners give is used as it is."""
    return Displacement(size, np.zeros((len(_POWERS), 2)))


def fit_displacement(size: tuple[float, float], places: Array, seen: Array, sd: Array) -> Displacement:
    """The smooth displacement of middles that the layout has at ``places`` (n, 2) and that are ``seen`` (n, 2).

    ``sd`` (n,): with which they are seen; all in millimetres.
    """
    terms, off = _terms(places, size), seen - places
    flat = replace(none(size), residual_mm=_stated(off))
    if flat.residual_mm is not None and flat.residual_mm < _PRINTED_MM:
        return flat
    weight, prior = np.ones(len(off)), np.eye(terms.shape[1]) / _USUAL_MM**2
    for _ in range(_ROUNDS):
        weighted = terms.T * (weight / sd**2)
        coefficients = np.asarray(np.linalg.solve(weighted @ terms + prior, weighted @ off), dtype=np.float64)
        left = off - terms @ coefficients
        weight = np.minimum(1.0, _STRAY_MM / np.maximum(np.linalg.norm(left, axis=1), 1e-9))
    return Displacement(size, coefficients, _stated(left))


def _stated(off: Array) -> float:
    """Distance within which nine of ten of the middles (n, 2) remain from their places."""
    return round(float(np.quantile(np.linalg.norm(off, axis=1), _STATED)), 3)


def _terms(mm: Array, size: tuple[float, float]) -> Array:
    """Products of powers (..., 10) of both coordinates, -1 to 1 over the card."""
    x, y = np.moveaxis(2 * mm / np.array(size) - 1, -1, 0)
    across, down = ([np.ones_like(side), side, side**2, side**3] for side in (x, y))
    return np.stack([across[i] * down[j] for i, j in _POWERS], axis=-1)
