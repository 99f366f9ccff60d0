"""Undoing light and rendering: counts of a pixel to linear light relative to the card's paper at that place.

Light falls on the card unevenly, the lens adds a veil of stray light, and the camera renders the sum: a local gain
that is the same for the three channels, then a tone curve on encoded values. All of it is found together from what is
neutral on the card: the grey patches and the bare paper (the idea of ISO 14524, with the scene's own greys). What
the neutrals leave open is a covariance, which every signal carries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.colour import srgb_encode
from stripread.reading.rendering import bends_at, encode_slope, tone_slope

Array = NDArray[np.float64]

#: Natural log of the light on paper, 1 at the top of the scale: from a thousandth to ten times that.
_LOG_LIGHT = (-7.0, 2.3)
#: Local gain: shortest wave as a share of the card's width, so that several squares of paper lie on it; the quadratic
#: takes the longest.
SHORTEST_WAVE = 1 / 4


def _waves() -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Cosines of the local gain: half waves across and down (w,), and how much weaker the shorter ones are."""
    half = round(2 / SHORTEST_WAVE)
    i, j = np.array([(i, j) for i in range(half + 1) for j in range(half + 1) if i + j >= 3]).T
    # A card of A6 is as high as 0.71 of its width.
    short = i**2 + (j / 0.71) ** 2
    seen = short <= half**2
    return i[seen], j[seen], 9 / short[seen]


_ACROSS, _DOWN, STRENGTH = _waves()
#: Powers of y and of x in the terms of the quadratic, in the order of `terms_at`.
_POWERS = np.array([0, 0, 1, 0, 1, 2]), np.array([0, 1, 0, 2, 1, 0])
_ORDERS = np.arange(max(_ACROSS.max(), _DOWN.max()) + 1)
#: Places of the groups in the state: field, local gain, tone curve, veil, dot gain; and their number.
FIELD, GAIN = slice(0, 18), slice(18, 18 + len(STRENGTH))
TONE, VEIL = slice(GAIN.stop, GAIN.stop + 3), slice(GAIN.stop + 3, GAIN.stop + 6)
DOTS = VEIL.stop
SIZE = DOTS + 1


@dataclass(frozen=True, slots=True)
class LightField:
    """``state`` (s,): log light over the card, local gain, tone curve, veil, dot gain.

    ``spread`` (s, s): its error as ``spread @ z`` with unit normal ``z`` of the photograph.

    ``linear`` (256, 3): linear light of each count, tone curve and veil undone; ``residual``: median absolute misfit
    in counts; ``misfit`` (n, 3): log light of the neutrals that the state leaves unexplained, NaN for channels
    not used; ``is_paper`` (n,): bare paper rather than a grey patch.
    """

    size: tuple[float, float]
    state: Array
    spread: Array
    linear: Array
    residual: float
    misfit: Array
    is_paper: NDArray[np.bool_]

    def at(self, mm: Array) -> Array:
        """Light (n, 3) on the paper at places (n, 2) in millimetres; linear, 1 at the top of the scale."""
        return np.exp(log_light_of(self.state, *terms_at(mm, self.size)))

    def signal(self, counts: Array, mm: Array) -> tuple[Array, Array]:
        """Linear signal (n, 3) relative to the paper, and its slope per count, of counts (n, 3) at (n, 2)."""
        (linear, slope), light = self._linear(counts), self.at(mm)
        return linear / light, slope / light

    def signal_on_raster(self, counts: Array, x_mm: Array, y_mm: Array) -> Array:
        """Signal (r, c, 3), as ``signal``, of a raster of counts (r, c, 3) with columns at (c,) and rows at (r,)."""
        log_light = _log_light_on_raster(self.state, x_mm / self.size[0], y_mm / self.size[1])
        return np.asarray(self._linear(counts)[0] / np.exp(log_light))

    def _linear(self, counts: Array) -> tuple[Array, Array]:
        """Linear light (..., 3) of counts (..., 3), and its slope per count."""
        lower = (at := np.clip(counts, 0.0, 254.999)).astype(np.intp)
        place = 3 * lower + np.arange(3)  # in the flat table: a lookup by two indices takes twice as long
        slope = np.diff(self.linear, axis=0).ravel().take(place)
        return self.linear.ravel().take(place) + (at - lower) * slope, slope

    def loadings(self, signal: Array, mm: Array) -> Array:
        """What the neutrals leave open of signals (n, 3) at places (n, 2), (n, 3, s): times ``z``, as above."""
        terms, waves = terms_at(mm, self.size)
        light = np.exp(log_light_of(self.state, terms, waves))
        linear = np.clip(signal * light + self.state[VEIL], 1e-5, 1.0)
        u = srgb_encode(linear)
        jacobian = np.zeros((*signal.shape, SIZE))
        for c in range(3):
            jacobian[:, c, c:18:3] = signal[:, c, None] * terms
            jacobian[:, c, VEIL.start + c] = 1 / light[:, c]
        jacobian[..., GAIN] = signal[..., None] * waves[:, None]
        jacobian[..., TONE] = bends_at(u) / (tone_slope(u, self.state[TONE]) * encode_slope(linear) * light)[..., None]
        return np.asarray(jacobian @ self.spread)


def terms_at(mm: Array, size: tuple[float, float]) -> tuple[Array, Array]:
    """At places (n, 2): a quadratic's terms (n, 6) over the half card, and the waves (n, w) of the local gain."""
    share = mm / np.array(size)
    x, y = (2 * share - 1).T
    quadratic = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    # Few waves differ along one side: each cosine is computed once.
    across, down = (np.cos(np.pi * side[:, None] * _ORDERS) for side in share.T)
    return quadratic, across[:, _ACROSS] * down[:, _DOWN] * STRENGTH


def log_light_of(state: Array, terms: Array, waves: Array) -> Array:
    """Log light (n, 3), within what a camera can record: a picture without a card would lead the fit anywhere."""
    # einsum, not BLAS, whose threads would change the last digits from one computer to another.
    light = (np.einsum("nt,tc->nc", terms, state[FIELD].reshape(6, 3))
             + np.einsum("nw,w->n", waves, state[GAIN])[:, None])
    return np.asarray(np.clip(light, *_LOG_LIGHT))


def _log_light_on_raster(state: Array, across: Array, down: Array) -> Array:
    """The same (r, c, 3) at columns (c,) and rows (r,), shares of the card: products of few functions of one side."""
    field, gain = np.zeros((3, 3, 3)), np.zeros((len(_ORDERS), len(_ORDERS)))
    field[_POWERS] = state[FIELD].reshape(6, 3)
    gain[_DOWN, _ACROSS] = state[GAIN] * STRENGTH
    powers = [np.vander(2 * side - 1, 3, increasing=True) for side in (down, across)]
    waves = [np.cos(np.pi * side[:, None] * _ORDERS) for side in (down, across)]
    light = (np.einsum("ri,ick->rck", powers[0], np.einsum("ijk,cj->ick", field, powers[1]))
             + np.einsum("ri,ic->rc", waves[0], np.einsum("ij,cj->ic", gain, waves[1]))[..., None])
    return np.asarray(np.clip(light, *_LOG_LIGHT))
