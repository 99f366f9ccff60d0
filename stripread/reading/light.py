"""Undoing light and tone: counts of a pixel to linear light relative to the card's paper at that place.

The camera's tone curve works on encoded values and is the same for the three channels; the light is a
smooth field, one polynomial a channel. Both are found together from what is neutral on the card: the
grey patches and the bare paper (the idea of ISO 14524, with the scene's own greys).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.card import PAPER, CardLayout
from shared.colour import srgb_decode, srgb_encode
from stripread.reading.patches import CardColours, PatchSample

Array = NDArray[np.float64]

#: Standard deviations that hold the fit where the neutrals say little: light per half card, contrast, lift.
FIELD_SD, CONTRAST, LIFT_SD = 0.2, (0.15, 0.2), 0.03
#: Counts (of 255) beyond which a neutral counts less: dirt, names printed on the card, edges of shadows.
HUBER_COUNTS = 2.0
_ROUNDS = 8


@dataclass(frozen=True, slots=True)
class Light:
    """``field`` (6, 3): log light over the card, red, green, blue; ``contrast`` and ``lift`` of the tone curve.

    ``linear`` (256,): linear light of each count, tone curve undone; ``residual``: median absolute misfit in
    counts; ``misfit`` (n, 3): log light of the neutrals that the field leaves unexplained, NaN for channels
    not used; ``is_paper`` (n,): bare paper rather than a grey patch.
    """

    size: tuple[float, float]
    field: Array
    contrast: float
    lift: float
    linear: Array
    residual: float
    misfit: Array
    is_paper: NDArray[np.bool_]

    def at(self, mm: Array) -> Array:
        """Light (n, 3) on the paper at places (n, 2) in millimetres; linear, 1 at the top of the scale."""
        return np.exp(_terms(mm, self.size) @ self.field)

    def signal(self, counts: Array, mm: Array) -> tuple[Array, Array]:
        """Linear signal (n, 3) relative to the paper, and its slope per count, of counts (n, 3) at (n, 2)."""
        light = self.at(mm)
        at = np.clip(counts, 0.0, 254.999)
        lower = at.astype(int)
        low, high = self.linear[lower], self.linear[lower + 1]
        return (low + (at - lower) * (high - low)) / light, (high - low) / light


def tone(u: Array, contrast: float, lift: float) -> Array:
    """Tone curve on encoded values: an S of ``contrast`` about the middle and a ``lift``; 0 and 1 stay."""
    return np.asarray(u + u * (1 - u) * (contrast * (2 * u - 1) + lift))


def _tone_slope(u: Array, contrast: float, lift: float) -> Array:
    return np.asarray(1 + (1 - 2 * u) * (contrast * (2 * u - 1) + lift) + 2 * contrast * u * (1 - u))


def untone(v: Array, contrast: float, lift: float) -> Array:
    """Inverse of `tone`, by Newton steps; values a little outside 0 to 1 are allowed."""
    u = np.array(v, dtype=np.float64)
    for _ in range(6):
        u -= (tone(u, contrast, lift) - v) / np.maximum(_tone_slope(u, contrast, lift), 0.2)
    return u


def _terms(mm: Array, size: tuple[float, float]) -> Array:
    """The polynomial's terms (n, 6) at places (n, 2), scaled to the half card."""
    x, y = (mm[:, k] / size[k] * 2 - 1 for k in range(2))
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def _encode_slope(linear: Array) -> Array:
    return np.where(linear <= 0.0031308, 12.92, 1.055 / 2.4 * np.maximum(linear, 1e-6) ** (1 / 2.4 - 1))


@dataclass(frozen=True, slots=True)
class _Neutrals:
    terms: Array
    reflectance: Array
    encoded: Array
    trusted: Array


def _neutrals(neutrals: list[PatchSample], colours: CardColours, card: CardLayout) -> _Neutrals:
    return _Neutrals(
        terms=_terms(np.array([n.centre for n in neutrals]), card.size),
        reflectance=np.array([colours.neutral(n.id) for n in neutrals]),
        encoded=np.array([n.sample.mean for n in neutrals]) / 255,
        trusted=np.array([n.usable_channels for n in neutrals], dtype=np.float64),
    )


def fit_light(neutrals: list[PatchSample], colours: CardColours, card: CardLayout) -> Light:
    """The light and tone curve of one photograph from its neutral samples."""
    data = _neutrals(neutrals, colours, card)
    state = np.concatenate([np.full(3, np.log(0.8)), np.zeros(15), [CONTRAST[0], 0.0]])
    for _ in range(_ROUNDS):
        residual, jacobian = _linearised(data, state)
        weight = data.trusted * np.minimum(1.0, HUBER_COUNTS / np.maximum(np.abs(residual), 1e-9))
        state = state + _step(residual, jacobian, weight, state)
    off = np.abs(_linearised(data, state)[0])[data.trusted > 0]
    field, (contrast, lift) = state[:18].reshape(6, 3), state[18:].tolist()
    seen = srgb_decode(untone(data.encoded, contrast, lift))
    unexplained = np.log(np.maximum(seen, 1e-4)) - (data.terms @ field + np.log(data.reflectance))
    return Light(size=card.size, field=field, contrast=contrast, lift=lift,
                 linear=srgb_decode(untone(np.linspace(0.0, 1.0, 256), contrast, lift)),
                 residual=float(np.median(off)) if len(off) else 255.0,
                 misfit=np.where(data.trusted > 0, unexplained, np.nan),
                 is_paper=np.array([n.id == PAPER for n in neutrals]))


def _linearised(data: _Neutrals, state: Array) -> tuple[Array, Array]:
    """Residuals (n, 3) in counts and their Jacobian (n, 3, 20) at ``state``: the field, contrast and lift."""
    contrast, lift = state[18:].tolist()
    light = np.minimum(np.exp(data.terms @ state[:18].reshape(6, 3)) * data.reflectance, 1.5)
    u = srgb_encode(light)
    gain = _tone_slope(u, contrast, lift) * _encode_slope(light) * light
    jacobian = np.zeros((*u.shape, 20))
    for c in range(3):
        jacobian[:, c, c:18:3] = gain[:, c, None] * data.terms
    jacobian[:, :, 18] = u * (1 - u) * (2 * u - 1)
    jacobian[:, :, 19] = u * (1 - u)
    return (data.encoded - tone(u, contrast, lift)) * 255, jacobian * 255


#: Inverse variances that hold the state, and where they hold it.
_RIDGE: Array = np.concatenate([np.full(3, 1e-9), np.full(15, FIELD_SD**-2), [CONTRAST[1] ** -2, LIFT_SD**-2]])
_HELD_AT: Array = np.concatenate([np.zeros(18), [CONTRAST[0], 0.0]])


def _step(residual: Array, jacobian: Array, weight: Array, state: Array) -> Array:
    """One Gauss-Newton step (20,) of the held, weighted least squares."""
    j = jacobian.reshape(-1, 20)
    w = weight.ravel()
    normal = (j * w[:, None]).T @ j + np.diag(_RIDGE)
    return np.asarray(np.linalg.solve(normal, j.T @ (w * residual.ravel()) - _RIDGE * (state - _HELD_AT)))
