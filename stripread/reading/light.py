"""Undoing light and rendering: counts of a pixel to linear light relative to the card's paper at that place.

Light falls on the card unevenly, the lens adds a veil of stray light, and the camera renders the sum: a local gain
that is the same for the three channels, then a tone curve on encoded values. All of it is found together from what is
neutral on the card: the grey patches and the bare paper (the idea of ISO 14524, with the scene's own greys). What
the neutrals leave open is a covariance, which every signal carries.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from shared.card import PAPER, CardLayout
from shared.colour import srgb_encode
from stripread.reading.patches import DOT_GAIN_SD, CardColours, PatchSample, usable_channels
from stripread.reading.rendering import bends_at, encode_slope, linearise, tone, tone_slope

Array = NDArray[np.float64]

#: Natural log of the light on paper, 1 at the top of the scale: from a thousandth to ten times that.
_LOG_LIGHT = (-7.0, 2.3)
#: Standard deviations of the priors: light per half card (log), contrast about its usual value, lift and shoulder of
#: the tone curve.
FIELD_SD, CONTRAST, LIFT_SD, SHOULDER_SD = 0.2, (0.15, 0.2), 0.03, 0.2
#: Stray light as a share of full light: what all channels have in common, and each by itself. Veiling glare of clean
#: lenses is 1 to 3 % (ISO 9358), more with fingerprints. Less than no veil is a black level taken off too much: rare.
VEIL_SD, VEIL_CHANNEL_SD, BLACK_LEVEL_SD = 0.02, 0.006, 0.002
#: Local gain: shortest wave as a share of the card's width, so that several squares of paper lie on it; the quadratic
#: takes the longest. Range of its amplitude (log).
SHORTEST_WAVE, GAIN_RANGE = 1 / 4, (0.001, 0.3)
#: Misfit (counts of 255) from which a neutral counts less at first, least scatter of the neutrals that fit, and
#: multiple of it beyond which a neutral is dirt, a name on the card, the edge of a shadow (Tukey's biweight).
HUBER_COUNTS, LEAST_COUNTS, TUKEY = 2.0, 0.7, 4.7
_ROUNDS, _HUBER_ROUNDS, _HALVINGS, _BLOCK = 12, 4, 5, 32


def _waves() -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Cosines of the local gain: half waves across and down (w,), and how much weaker the shorter ones are."""
    half = round(2 / SHORTEST_WAVE)
    i, j = np.array([(i, j) for i in range(half + 1) for j in range(half + 1) if i + j >= 3]).T
    # A card of A6 is as high as 0.71 of its width.
    short = i**2 + (j / 0.71) ** 2
    seen = short <= half**2
    return i[seen], j[seen], 9 / short[seen]


_ACROSS, _DOWN, _STRENGTH = _waves()
#: Powers of y and of x in the terms of the quadratic, in the order of `_terms`.
_POWERS = np.array([0, 0, 1, 0, 1, 2]), np.array([0, 1, 0, 2, 1, 0])
_ORDERS = np.arange(max(_ACROSS.max(), _DOWN.max()) + 1)
#: Places of the groups in the state: field, local gain, tone curve, veil, dot gain.
_FIELD, _GAIN = slice(0, 18), slice(18, 18 + len(_STRENGTH))
_TONE, _VEIL = slice(_GAIN.stop, _GAIN.stop + 3), slice(_GAIN.stop + 3, _GAIN.stop + 6)
_DOTS = _VEIL.stop
_SIZE = _DOTS + 1


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
        return np.exp(_log_light(self.state, *_terms(mm, self.size)))

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

    def loading(self, signal: Array, mm: Array) -> Array:
        """What the neutrals leave open of one signal (3,) at a place (2,): ``loading @ z`` (3, s), ``z`` as above."""
        terms, waves = _terms(mm[None], self.size)
        light = np.exp(_log_light(self.state, terms, waves))[0]
        linear = np.clip(signal * light + self.state[_VEIL], 1e-5, 1.0)
        u = srgb_encode(linear)
        jacobian = np.zeros((3, _SIZE))
        for c in range(3):
            jacobian[c, c:18:3] = signal[c] * terms[0]
            jacobian[c, _VEIL.start + c] = 1 / light[c]
        jacobian[:, _GAIN] = signal[:, None] * waves
        jacobian[:, _TONE] = bends_at(u) / (tone_slope(u, self.state[_TONE]) * encode_slope(linear) * light)[:, None]
        return np.asarray(jacobian @ self.spread)


def _terms(mm: Array, size: tuple[float, float]) -> tuple[Array, Array]:
    """At places (n, 2): a quadratic's terms (n, 6) over the half card, and the waves (n, w) of the local gain."""
    share = mm / np.array(size)
    x, y = (2 * share - 1).T
    quadratic = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    # Few waves differ along one side: each cosine is computed once.
    across, down = (np.cos(np.pi * side[:, None] * _ORDERS) for side in share.T)
    return quadratic, across[:, _ACROSS] * down[:, _DOWN] * _STRENGTH


def _log_light(state: Array, terms: Array, waves: Array) -> Array:
    """Log light (n, 3), within what a camera can record: a picture without a card would lead the fit anywhere."""
    # einsum, not BLAS, whose threads would change the last digits from one computer to another.
    light = (np.einsum("nt,tc->nc", terms, state[_FIELD].reshape(6, 3))
             + np.einsum("nw,w->n", waves, state[_GAIN])[:, None])
    return np.asarray(np.clip(light, *_LOG_LIGHT))


def _log_light_on_raster(state: Array, across: Array, down: Array) -> Array:
    """The same (r, c, 3) at columns (c,) and rows (r,), shares of the card: products of few functions of one side."""
    field, gain = np.zeros((3, 3, 3)), np.zeros((len(_ORDERS), len(_ORDERS)))
    field[_POWERS] = state[_FIELD].reshape(6, 3)
    gain[_DOWN, _ACROSS] = state[_GAIN] * _STRENGTH
    powers = [np.vander(2 * side - 1, 3, increasing=True) for side in (down, across)]
    waves = [np.cos(np.pi * side[:, None] * _ORDERS) for side in (down, across)]
    light = (np.einsum("ri,ick->rck", powers[0], np.einsum("ijk,cj->ick", field, powers[1]))
             + np.einsum("ri,ic->rc", waves[0], np.einsum("ij,cj->ic", gain, waves[1]))[..., None])
    return np.asarray(np.clip(light, *_LOG_LIGHT))


@dataclass(frozen=True, slots=True)
class _Neutrals:
    """``dots`` (n, 3): change of reflectances for a unit of dot gain (Murray and Davies: paper and ink share area)."""

    terms: Array
    waves: Array
    reflectance: Array
    encoded: Array
    trusted: Array
    dots: Array


def _neutrals(neutrals: list[PatchSample], colours: CardColours, card: CardLayout) -> _Neutrals:
    terms, waves = _terms(np.array([n.centre for n in neutrals]), card.size)
    reflectance = np.array([colours.neutral(n.id) for n in neutrals])
    return _Neutrals(
        terms=terms, waves=waves, reflectance=reflectance, dots=-4 * reflectance * (1 - reflectance),
        encoded=np.array([n.sample.mean for n in neutrals]) / 255,
        trusted=usable_channels(neutrals).astype(np.float64))


def fit_light(neutrals: list[PatchSample], colours: CardColours, card: CardLayout) -> LightField:
    """The light and rendering of one photograph from its neutral samples."""
    data = _neutrals(neutrals, colours, card)
    prior = _Prior(unmeasured=colours.shared is not None)
    start, covariance = prior.mean.copy(), np.zeros((_SIZE, _SIZE))
    start[:3] = np.log(0.8)
    at = _Trial.of(data, start)
    for turn in range(_ROUNDS):
        weight = _weights(at.residual, data.trusted, redescend=turn >= _HUBER_ROUNDS)
        step, covariance = prior.step(at, _jacobian(data, at), weight)
        at = _damped(data, at, step, partial(prior.badness, weight))
        if turn >= _HUBER_ROUNDS:
            prior.refit_gain(at.state, covariance)
    state, off = at.state, np.abs(at.residual)[data.trusted > 0]
    linear = linearise(state[_TONE])[:, None] - state[_VEIL]
    return LightField(size=card.size, state=state, spread=_root(covariance), linear=linear,
                 residual=float(np.median(off)) if len(off) else 255.0, misfit=_misfit(data, state, linear),
                 is_paper=np.array([n.id == PAPER for n in neutrals]))


def _root(covariance: Array) -> Array:
    """A square root (s, s) of a covariance; rounding may have made its smallest eigenvalues negative."""
    size, ways = np.linalg.eigh(covariance)
    return np.asarray(ways * np.sqrt(np.maximum(size, 0.0)))


def _damped(data: _Neutrals, at: _Trial, step: Array, badness: Callable[[_Trial], float]) -> _Trial:
    """The state a step farther, or half of it, and so on, where the whole would lead uphill."""
    here = badness(at)
    for _ in range(_HALVINGS):
        farther = _Trial.of(data, at.state + step)
        if badness(farther) <= here:
            return farther
        step = step / 2
    return _Trial.of(data, at.state + step)


def _misfit(data: _Neutrals, state: Array, linear: Array) -> Array:
    seen = np.column_stack([np.interp(data.encoded[:, c] * 255, np.arange(256), linear[:, c]) for c in range(3)])
    reflectance = data.reflectance + state[_DOTS] * data.dots
    unexplained = np.log(np.maximum(seen, 1e-4)) - _log_light(state, data.terms, data.waves) - np.log(reflectance)
    return np.where(data.trusted > 0, unexplained, np.nan)


def _weights(residual: Array, trusted: Array, *, redescend: bool) -> Array:
    """Inverse variances (n, 3), in counts, of the neutrals: less for those that fit badly, in the end nothing."""
    size = np.abs(residual)
    if not redescend:
        return np.asarray(trusted * np.minimum(1.0, HUBER_COUNTS / np.maximum(size, 1e-9)))
    scatter = max(LEAST_COUNTS, 1.4826 * float(np.median(size[trusted > 0]))) if trusted.any() else LEAST_COUNTS
    # A stain is seen in one channel or another, and spoils all.
    worst = np.where(trusted > 0, size, 0.0).max(axis=1, keepdims=True) / (TUKEY * scatter)
    return np.asarray(trusted * np.clip(1 - worst**2, 0.0, 1.0) ** 2 / scatter**2)


@dataclass(frozen=True, slots=True)
class _Trial:
    """A state that is tried, and what follows from it for the neutrals, each (n, 3).

    ``light`` on their places, what they have ``reflected`` of it, ``linear`` light on the sensor with the veil, the
    same ``encoded``, and the ``residual``: counts by which they are brighter than the state has them.
    """

    state: Array
    light: Array
    reflected: Array
    linear: Array
    encoded: Array
    residual: Array

    @classmethod
    def of(cls, data: _Neutrals, state: Array) -> _Trial:
        light = np.exp(_log_light(state, data.terms, data.waves))
        reflected = light * (data.reflectance + state[_DOTS] * data.dots)
        linear = np.clip(reflected + state[_VEIL], 1e-5, 1.5)
        encoded = srgb_encode(linear)
        return cls(state, light, reflected, linear, encoded, 255 * (data.encoded - tone(encoded, state[_TONE])))


def _jacobian(data: _Neutrals, at: _Trial) -> Array:
    """Change (n, 3, s) of the counts that a state gives the neutrals, with the state."""
    gain = tone_slope(at.encoded, at.state[_TONE]) * encode_slope(at.linear)
    jacobian = np.zeros((*gain.shape, _SIZE))
    by_light = gain * at.reflected
    for c in range(3):
        jacobian[:, c, c:18:3] = by_light[:, c, None] * data.terms
        jacobian[:, c, _VEIL.start + c] = gain[:, c]
    jacobian[:, :, _GAIN] = by_light[:, :, None] * data.waves[:, None]
    jacobian[:, :, _TONE] = bends_at(at.encoded)
    jacobian[:, :, _DOTS] = gain * at.light * data.dots
    jacobian *= 255
    return jacobian


def _is_veil(state: Array) -> bool:
    """Whether there is a veil, rather than a black level taken off too much."""
    return bool(state[_VEIL].sum() >= 0)


#: Precision (3, 3) of the veil on either side of none.
_VEIL_PRECISION = {veil: np.linalg.inv(sd**2 + min(sd, VEIL_CHANNEL_SD) ** 2 * np.eye(3))
                   for veil, sd in ((True, VEIL_SD), (False, BLACK_LEVEL_SD))}


class _Prior:
    """What is expected of the state, as a mean (s,) and a precision; the gain's amplitude follows the photograph."""

    def __init__(self, *, unmeasured: bool) -> None:
        self.mean = np.zeros(_SIZE)
        self.mean[_TONE.start] = CONTRAST[0]
        self.amplitude = 0.03
        self.precision = np.diag(np.concatenate([
            np.full(3, 1e-9), np.full(15, FIELD_SD**-2), np.full(len(_STRENGTH), self.amplitude**-2),
            [CONTRAST[1] ** -2, LIFT_SD**-2, SHOULDER_SD**-2], np.zeros(3),
            [DOT_GAIN_SD**-2 if unmeasured else 1e12]]))

    def step(self, at: _Trial, jacobian: Array, weight: Array) -> tuple[Array, Array]:
        """One Gauss-Newton step (s,) of the regularised, weighted least squares, and the covariance (s, s) there."""
        j, w = jacobian.reshape(-1, _SIZE), weight.ravel()
        weighted = j * w[:, None]
        # In blocks too small for BLAS to use threads, which would change the last digits.
        blocks = (slice(k, k + _BLOCK) for k in range(0, len(j), _BLOCK))
        normal = sum(weighted[b].T @ j[b] for b in blocks)
        seen = np.einsum("ns,n->s", j, w * at.residual.ravel())
        side = at.state
        for _ in range(2):  # a step that leads across no veil at all is repeated with what is usual there
            self._limit_veil(side)
            covariance = np.asarray(np.linalg.inv(normal + self.precision), dtype=np.float64)
            step = covariance @ (seen - self.precision @ (at.state - self.mean))
            if _is_veil(at.state + step) == _is_veil(side):
                break
            side = at.state + step
        return step, covariance

    def badness(self, weight: Array, at: _Trial) -> float:
        """Weighted squares of the residuals, and of how far the state lies from the prior."""
        self._limit_veil(at.state)
        off = at.state - self.mean
        return float((weight * at.residual**2).sum() + off @ self.precision @ off)

    def _limit_veil(self, state: Array) -> None:
        self.precision[_VEIL, _VEIL] = _VEIL_PRECISION[_is_veil(state)]

    def refit_gain(self, state: Array, covariance: Array) -> None:
        """Amplitude of the local gain under which the waves are most likely.

        MacKay's fixed point (Neural Comput. 4:415, 1992): the squares of the waves, over how many of them the neutrals
        determine. It is settled sooner than by expectation-maximisation.
        """
        determined = len(_STRENGTH) - float(np.diag(covariance)[_GAIN].sum()) / self.amplitude**2
        square = float((state[_GAIN] ** 2).sum()) / max(determined, 1e-3)
        self.amplitude = float(np.clip(np.sqrt(square), *GAIN_RANGE))
        self.precision[_GAIN, _GAIN] = np.eye(len(_STRENGTH)) / self.amplitude**2
