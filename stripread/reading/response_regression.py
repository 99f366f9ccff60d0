"""Regression of a photograph's signals on the printed patches' spectra, under many lights and strengths at once.

A hypothesis is a light with a strength (`stripread.reading.response_prior`): 29 times 3. Each has a share, by how well
it explains the patches (model averaging: Hoeting et al., Stat. Sci. 14:382, 1999).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.observation import Response
from calibration.reflectance import FRAME
from stripread.reading.metadata import coding_covariance
from stripread.reading.patches import CardColours, PatchSignals
from stripread.reading.rendering import Rendering, alike, log_density
from stripread.reading.response_prior import PARTS, STRENGTHS, factors

Array = NDArray[np.float64]

#: Uncertainty of a patch besides its coding: a share of its signal (its measured spectrum, print and gloss), a floor.
SHARE, FLOOR = 0.006, 0.001
#: Variance of a channel at an end of the scale: nothing is known of it but that it is a few times white at most.
UNKNOWN = 100.0
#: The paper is 1 by definition, up to this.
PAPER_U = 0.002
#: Subset less probable than this are dropped; those less probable than the other are not tried with other noise,
#: nor lights in other strengths.
LEAST_SHARE, LEAST_LIKELY = 1e-3, 1e-5
#: Median of the largest of three standard normal deviates in size.
_EXPECTED_WORST = 1.26


def stated_variance(patches: PatchSignals) -> Array:
    """Variance (n, 3) of each patch's signals by itself."""
    coded = np.diag(coding_covariance(patches.coding_u)) * patches.slope**2
    return np.asarray(coded + (SHARE * patches.signal) ** 2 + FLOOR**2)


#: Of all lights and strengths (87,) those of strength 1, and of these single lamps.
USUAL_STRENGTH: NDArray[np.bool_] = np.tile(np.array(STRENGTHS) == 1.0, len(PARTS))
SINGLE_LAMPS: NDArray[np.bool_] = USUAL_STRENGTH & (PARTS.max(axis=1) == 1.0).repeat(len(STRENGTHS))


@dataclass(frozen=True, slots=True)
class Subset:
    """Patches (n,) that are ``used``, and the hypotheses (87,) that are considered."""

    used: NDArray[np.bool_]
    among: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CardSpectra:
    """A card's patches and its paper, the last, as all lights and strengths see them before any signal is known.

    ``x`` (n, 31): their spectra; ``grey`` (n,): which are neutral; ``factor`` (87, 31, 37) of each hypothesis, its
    ``prior`` (87, 31, 31), and the covariance ``seen`` (87, n, n) of the signals.
    """

    x: Array
    grey: NDArray[np.bool_]
    factor: Array
    prior: Array
    seen: Array

    @classmethod
    @lru_cache(maxsize=8)
    def on(cls, colours: CardColours) -> CardSpectra:
        """What is printed in these colours."""
        x = np.vstack([colours.reflectance, colours.paper])
        grey = np.array([*(i in colours.neutrals for i in colours.ids), True])
        factor = factors(x, measured=colours.covariance is None)
        prior = factor @ factor.transpose(0, 2, 1)
        return cls(x, grey, factor, prior, x @ prior @ x.T + _ink_variance(prior, colours))

    def seen_of(self, which: NDArray[np.intp], rows: NDArray[np.intp]) -> Array:
        """``seen`` (h, k, k) of hypotheses ``which`` (h,) and of patches in ``rows`` (k,)."""
        # A lookup by three indices at once takes four times as long.
        pairs = (rows[:, None] * len(self.x) + rows).ravel()
        return self.seen.reshape(len(self.seen), -1)[which][:, pairs].reshape(len(which), len(rows), len(rows))


class Regression:
    """All lights and strengths at once; the arrays' first axis runs over those of these hypotheses that count.

    ``share`` (87,): probability of each hypothesis; ``weight`` (h,): of those that count.
    """

    def __init__(self, patches: PatchSignals, colours: CardColours, over: Subset, noise: float = 1.0,
                 size: float = 0.0) -> None:
        self.patches, self.colours, self.over, self.noise, self.size = patches, colours, over, noise, size
        printed, used, rows = CardSpectra.on(colours), over.used, np.flatnonzero([*over.used, True])
        self.x, which = printed.x[rows], np.flatnonzero(over.among)
        self.y = np.vstack([patches.signal[used], np.ones(3)])
        self.stated = stated_variance(patches)
        self.clear = np.vstack([patches.clear[used], np.ones((1, 3), dtype=bool)])
        self.variance = np.where(self.clear, np.vstack([self.stated[used] * noise**2, np.full(3, PAPER_U**2)]), UNKNOWN)
        # No camera renders a grey as a colour: what else a grey patch shows contradicts the others.
        self.colour = np.where(printed.grey[rows, None], self.y.mean(axis=1, keepdims=True), self.y)
        self.own = self.variance.T[:, None] * np.eye(len(rows))
        if size:
            self.own = self.own + size**2 * alike(self.colour, self.colour)
        seen = printed.seen_of(which, rows)
        evidence = log_density(seen[:, None], self.y.T, self.own).sum(axis=1)
        share = np.exp(evidence - evidence.max())
        self.share = np.zeros(len(over.among))
        self.share[which] = share / share.sum()
        keep = self.share[which] > LEAST_SHARE
        self.weight = self.share[which][keep] / self.share[which][keep].sum()
        self._kept, self._seen = which[keep], seen[keep]
        self.best_covariance = self._seen[np.argmax(self.weight)] + self.own
        self.best_inverse = np.linalg.inv(self.best_covariance)

    def with_patches(self, used: NDArray[np.bool_]) -> Regression:
        """The same on other patches."""
        return Regression(self.patches, self.colours, replace(self.over, used=used), self.noise, self.size)

    def with_noise(self, noise: float) -> Regression:
        """The same with other noise, under the likely hypotheses."""
        among = self.share > LEAST_LIKELY
        return Regression(self.patches, self.colours, replace(self.over, among=among), noise, self.size)

    @property
    def used(self) -> NDArray[np.bool_]:
        """The patches (n,) that are included."""
        return self.over.used

    def left_out(self) -> Array:
        """Residual of each used patch predicted from all others, (n, 3), in standard deviations; 0 if not clear."""
        residual = np.einsum("cij,jc->ci", self.best_inverse, self.y).T[:-1] * self.own_u()
        return np.where(self.clear[:-1], residual, 0.0)

    @property
    def spread(self) -> float:
        """Deviation of the used patches in units of their standard deviations."""
        return float(np.median(np.abs(self.left_out()[self.clear[:-1].all(axis=1)]).max(axis=1))) / _EXPECTED_WORST

    def own_u(self) -> Array:
        """Standard deviation (n, 3) with which each used patch is predicted from all others."""
        own = np.diagonal(self.best_inverse, axis1=1, axis2=2)
        return np.asarray(1 / np.sqrt(own.T[:-1]))

    def lamp_shares(self) -> tuple[float, ...]:
        """Probability of each lamp; a light of two lamps counts half for each."""
        return tuple((self.by_light @ PARTS).tolist())

    @property
    def by_light(self) -> Array:
        """Probability (29,) of each light."""
        return np.asarray(self.share.reshape(len(PARTS), -1).sum(axis=1))

    @cached_property
    def _inverse(self) -> Array:
        return np.asarray(np.linalg.inv(self._seen[:, None] + self.own))

    @cached_property
    def _factor(self) -> Array:
        """The camera's factors (h, 31, 37)."""
        return CardSpectra.on(self.colours).factor[self._kept]

    @cached_property
    def _prior(self) -> Array:
        """The covariance (h, 31, 31) of camera times light before any signal is known."""
        return CardSpectra.on(self.colours).prior[self._kept]

    @cached_property
    def response(self) -> Response:
        """Mean over the hypotheses; their disagreement joins the mismatch."""
        weight, gain = self.weight, self._gain
        mean = np.einsum("hcik,ic->hck", gain, self.y)
        centre = np.einsum("h,hck->ck", weight, mean)
        turned = gain.swapaxes(2, 3)
        noise = turned @ self.own @ gain
        prior = FRAME.T @ self._prior @ FRAME
        left = prior[:, None] - turned @ self._cross[:, None] - noise
        apart = mean - centre
        left = left + apart[..., :, None] * apart[..., None, :]
        unseen = (FRAME.T @ self._factor)[:, None] - turned @ (self.x @ self._factor)[:, None]
        return Response(mean=centre, correction=np.einsum("h,hckl->ckl", weight, noise),
                        mismatch=np.einsum("h,hckl->ckl", weight, left),
                        camera=np.einsum("h,hckr->ckr", weight, unseen))

    @cached_property
    def rendering(self) -> Rendering:
        """The non-linear part of the camera's rendering, under the same hypotheses."""
        solved = np.einsum("hcij,jc->hci", self._inverse, self.y)
        means = np.einsum("hcik,ic->hck", self._gain, self.y)
        return Rendering(size=self.size, seen=self.colour, noise=self.variance, share=self.weight, means=means,
                         inverse=self._inverse, solved=solved, gain=self._gain, camera=self.x @ self._factor)

    def strays(self) -> tuple[Array, Array]:
        """Residuals (n, 3) of all patches from what the others predict, and the same in standard deviations."""
        signal, weights = self.patches.signal, self.colours.weights
        residual, deviation = np.empty(signal.shape), np.ones(signal.shape)
        # Used patches are predicted from the others by the regression itself.
        own_u = self.own_u()
        residual[self.used], deviation[self.used] = self.left_out() * own_u, own_u
        for i in np.flatnonzero(~self.used).tolist():
            r = self.rendering.at(self.response, signal[i])
            residual[i] = signal[i] - r.signal(weights[i])
            open_ = r.variance(r.correction + r.mismatch, weights[i])
            deviation[i] = np.sqrt(open_ + self.stated[i] * self.noise**2)
        residual = np.where(self.patches.clear, residual, np.nan)
        return residual, residual / deviation

    @cached_property
    def _cross(self) -> Array:
        """Covariance (h, n, 13) of the signals and the response."""
        return np.asarray(self.x @ self._prior @ FRAME)

    @cached_property
    def _gain(self) -> Array:
        """Change (h, 3, n, 13) of the response for a unit of each signal."""
        return np.asarray(self._inverse @ self._cross[:, None])


def _ink_variance(prior: Array, colours: CardColours) -> Array:
    """Variance (87, n, n) where the patches' spectra were themselves estimated; zero if measured."""
    n = len(colours.ids) + 1
    if colours.covariance is None:
        return np.zeros((1, n, n))
    cosines = FRAME[:, 1:]
    seen = cosines.T @ prior @ cosines
    out = np.zeros((len(prior), n, n))
    rows = np.arange(n - 1)
    out[:, rows, rows] = np.einsum("hij,nij->hn", seen, colours.covariance)
    for together in () if colours.shared is None else colours.shared:
        out[:, :-1, :-1] += together @ prior @ together.T
    return out
