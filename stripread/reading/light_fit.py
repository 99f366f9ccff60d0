"""Fit of the light and rendering of one photograph: Gauss-Newton steps with a robust likelihood and a prior.

A neutral that contradicts the others (dirt, a name on the card, the edge of a shadow) loses its weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from shared.card import PAPER, CardLayout
from shared.colour import srgb_encode
from stripread.reading.light import DOTS, GAIN, SIZE, STRENGTH, TONE, VEIL, LightField, log_light_of, terms_at
from stripread.reading.patches import DOT_GAIN_SD, CardColours, PatchSample, usable_channels
from stripread.reading.rendering import bends_at, encode_slope, linearise, tone, tone_slope

Array = NDArray[np.float64]

#: Standard deviations of the priors: light per half card (log), contrast about its usual value, lift and shoulder of
#: the tone curve.
FIELD_SD, CONTRAST, LIFT_SD, SHOULDER_SD = 0.2, (0.15, 0.2), 0.03, 0.2
#: Stray light as a share of full light: what all channels have in common, and each by itself. Veiling glare of clean
#: lenses is 1 to 3 % (ISO 9358), more with fingerprints. Less than no veil is a black level taken off too much: rare.
VEIL_SD, VEIL_CHANNEL_SD, BLACK_LEVEL_SD = 0.02, 0.006, 0.002
#: Range of the amplitude of the local gain (log), and what it starts from.
GAIN_RANGE, GAIN_START = (0.001, 0.3), 0.03
#: Misfit (counts of 255) from which a neutral counts less at first, least scatter of the neutrals that fit, and
#: multiple of it beyond which a neutral is dirt, a name on the card, the edge of a shadow (Tukey's biweight).
HUBER_COUNTS, LEAST_COUNTS, TUKEY = 2.0, 0.7, 4.7
#: Steps of the fit; how many of them come before neutrals are left out and the local gain's amplitude is estimated;
#: and iterations of that estimate in each later step.
ROUNDS, _HUBER_ROUNDS, _GAIN_ROUNDS = 7, 3, 5
_HALVINGS, _BLOCK = 5, 96


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
    terms, waves = terms_at(np.array([n.centre for n in neutrals]), card.size)
    reflectance = np.array([colours.neutral(n.id) for n in neutrals])
    return _Neutrals(
        terms=terms, waves=waves, reflectance=reflectance, dots=-4 * reflectance * (1 - reflectance),
        encoded=np.array([n.sample.mean for n in neutrals]) / 255,
        trusted=usable_channels(neutrals).astype(np.float64))


def fit_light(neutrals: list[PatchSample], colours: CardColours, card: CardLayout) -> LightField:
    """The light and rendering of one photograph from its neutral samples."""
    data = _neutrals(neutrals, colours, card)
    prior = _Prior(unmeasured=colours.shared is not None)
    start, covariance = prior.mean.copy(), np.zeros((SIZE, SIZE))
    start[:3] = np.log(0.8)
    at = _Trial.of(data, start)
    for turn in range(ROUNDS):
        weight = _weights(at.residual, data.trusted, redescend=turn >= _HUBER_ROUNDS)
        step, covariance = prior.step(at, _jacobian(data, at), weight, refit_gain=turn >= _HUBER_ROUNDS)
        at = _damped(data, at, step, partial(prior.badness, weight))
    state, off = at.state, np.abs(at.residual)[data.trusted > 0]
    linear = linearise(state[TONE])[:, None] - state[VEIL]
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
    reflectance = data.reflectance + state[DOTS] * data.dots
    unexplained = np.log(np.maximum(seen, 1e-4)) - log_light_of(state, data.terms, data.waves) - np.log(reflectance)
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
        light = np.exp(log_light_of(state, data.terms, data.waves))
        reflected = light * (data.reflectance + state[DOTS] * data.dots)
        linear = np.clip(reflected + state[VEIL], 1e-5, 1.5)
        encoded = srgb_encode(linear)
        return cls(state, light, reflected, linear, encoded, 255 * (data.encoded - tone(encoded, state[TONE])))


def _jacobian(data: _Neutrals, at: _Trial) -> Array:
    """Change (n, 3, s) of the counts that a state gives the neutrals, with the state."""
    gain = tone_slope(at.encoded, at.state[TONE]) * encode_slope(at.linear)
    jacobian = np.zeros((*gain.shape, SIZE))
    by_light = gain * at.reflected
    for c in range(3):
        jacobian[:, c, c:18:3] = by_light[:, c, None] * data.terms
        jacobian[:, c, VEIL.start + c] = gain[:, c]
    jacobian[:, :, GAIN] = by_light[:, :, None] * data.waves[:, None]
    jacobian[:, :, TONE] = bends_at(at.encoded)
    jacobian[:, :, DOTS] = gain * at.light * data.dots
    jacobian *= 255
    return jacobian


def _normal_equations(jacobian: Array, weight: Array, residual: Array) -> tuple[Array, Array]:
    """Weighted products (s, s) of the Jacobian (n, 3, s) with itself, and (s,) with the residuals (n, 3)."""
    root = np.sqrt(weight).ravel()
    j = jacobian.reshape(-1, SIZE) * root[:, None]
    # In blocks too small for BLAS to use threads, which would change the last digits.
    blocks = (j[k : k + _BLOCK] for k in range(0, len(j), _BLOCK))
    return np.asarray(sum(block.T @ block for block in blocks)), np.einsum("ns,n->s", j, root * residual.ravel())


def _is_veil(state: Array) -> bool:
    """Whether there is a veil, rather than a black level taken off too much."""
    return bool(state[VEIL].sum() >= 0)


#: Precision (3, 3) of the veil on either side of none.
_VEIL_PRECISION = {veil: np.linalg.inv(sd**2 + min(sd, VEIL_CHANNEL_SD) ** 2 * np.eye(3))
                   for veil, sd in ((True, VEIL_SD), (False, BLACK_LEVEL_SD))}


#: Places in the state besides the local gain's.
_NOT_GAIN = np.delete(np.arange(SIZE), GAIN)


class _Prior:
    """What is expected of the state, as a mean (s,) and a precision; the gain's amplitude follows the photograph."""

    def __init__(self, *, unmeasured: bool) -> None:
        self.mean = np.zeros(SIZE)
        self.mean[TONE.start] = CONTRAST[0]
        self.amplitude = GAIN_START
        self.precision = np.diag(np.concatenate([
            np.full(3, 1e-9), np.full(15, FIELD_SD**-2), np.full(len(STRENGTH), self.amplitude**-2),
            [CONTRAST[1] ** -2, LIFT_SD**-2, SHOULDER_SD**-2], np.zeros(3),
            [DOT_GAIN_SD**-2 if unmeasured else 1e12]]))

    def step(self, at: _Trial, jacobian: Array, weight: Array, *, refit_gain: bool) -> tuple[Array, Array]:
        """One Gauss-Newton step (s,) of the regularised, weighted least squares, and the covariance (s, s) there.

        ``refit_gain``: whether the amplitude of the local gain follows the neutrals, or stays as it is.
        """
        normal, seen = _normal_equations(jacobian, weight, at.residual)
        side = at.state
        for _ in range(2):  # a step that leads across no veil at all is repeated with what is usual there
            self._limit_veil(side)
            if refit_gain:
                self._refit_gain(normal, normal @ at.state + seen)
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
        self.precision[VEIL, VEIL] = _VEIL_PRECISION[_is_veil(state)]

    def _refit_gain(self, normal: Array, target: Array) -> None:
        """Amplitude of the local gain under which the neutrals are most likely, for normal equations (s, s) and (s,).

        MacKay's fixed point (Neural Comput. 4:415, 1992): the squares of the waves, over how many of them the neutrals
        determine. The rest of the state is eliminated first (Schur complement), and the waves are turned to
        the eigenvectors, on which the neutrals' information is independent.
        """
        curvature, other = normal + self.precision, _NOT_GAIN
        target = target + self.precision @ self.mean
        solved = np.linalg.solve(curvature[other][:, other], np.column_stack([curvature[other, GAIN], target[other]]))
        waves = normal[GAIN, GAIN] - curvature[GAIN][:, other] @ solved[:, :-1]
        information, turned = np.linalg.eigh((waves + waves.T) / 2)
        pull = (target[GAIN] - curvature[GAIN][:, other] @ solved[:, -1]) @ turned
        for _ in range(_GAIN_ROUNDS):
            whole = information + self.amplitude**-2
            determined, square = (information / whole).sum(), ((pull / whole) ** 2).sum()
            self.amplitude = min(max(math.sqrt(square / max(determined, 1e-3)), GAIN_RANGE[0]), GAIN_RANGE[1])
        self.precision[GAIN, GAIN] = np.eye(len(STRENGTH)) / self.amplitude**2
