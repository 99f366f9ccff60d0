"""Response of a photograph's camera and lamp to spectra, learned from the printed patches.

A linear signal is the sum over wavelengths of reflectance times (camera times lamp). The patches' spectra
are known, so that product is estimated by regression on them (a Gaussian process over wavelength) under
each of a few lamps of CIE 15:2018, weighted by how well each explains the patches. What the patches do
not determine (their inks span less than the pads' dyes) remains as uncertainty: metamerism, quantified.

Estimating camera sensitivities from chart pictures: Jiang, Liu, Gu, Suesstrunk, IEEE WACV 2013;
model averaging: Hoeting et al., Stat. Sci. 14:382, 1999.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.observation import Response
from calibration.reflectance import CAMERA_BANDS, FRAME
from shared.colour import WAVELENGTHS_NM, load_illuminants
from stripread.reading.patches import CardColours, PatchSignals
from stripread.reading.rendering import USUAL_SIZE, Rendering, alike, likeliest_size, log_density

Array = NDArray[np.float64]

#: Lamps tried: daylight, incandescent, phosphor LEDs, an even light, and lamps of narrow bands.
BROAD_LAMPS = ("D65", "A", "LED-B2", "LED-B5", "E")
NARROW_LAMPS = ("FL2", "FL11", "FL3.10", "LED-RGB1")
LAMPS = BROAD_LAMPS + NARROW_LAMPS
#: A camera's channel, its colour matrix included, is a mixture of three bands (CAMERA_BANDS, typical of the 28 cameras
#: measured by Jiang et al.) and a smooth remainder of this variance, in which other cameras differ.
REMAINDER = 0.6
#: Smoothness of the remainder in nm, and the band in which it lies.
SMOOTH_NM, BAND_MIDDLE_NM, BAND_HALF_NM = 30.0, 550.0, 110.0
#: Strength of the process, in units of the mean signal: all are tried.
STRENGTHS = (0.3, 1.0, 3.0)
#: Uncertainty of a patch besides its coding: a share of its signal (its measured spectrum, print and gloss), a floor.
SHARE, FLOOR = 0.006, 0.001
#: Variance of a channel at an end of the scale: nothing is known of it but that it is a few times white at most.
UNKNOWN = 100.0
#: The paper is 1 by definition, up to this.
PAPER_U = 0.002
#: A patch whose left-out residual is beyond this many standard deviations is not what it was measured as.
OUTLIER = 4.5
#: Only such as come near the worst go at a time: one covered patch makes good ones look wrong.
WORST_SHARE = 0.8
_MAX_LEFT_OUT = 0.4
#: Patches that the stated uncertainty weighs as much as where those of a photograph scatter less (the degrees of
#: freedom of an inverse chi-square prior: stated uncertainties are known to a fifth, JCGM 100:2008, table E.1).
STATED_WORTH = 12
#: Hypotheses less probable than this are dropped.
LEAST_SHARE = 1e-3
#: The noise is sought until its logarithm changes by less than this, at most this many times.
_SETTLED, _ROUNDS = 0.14, 3


@dataclass(frozen=True, slots=True)
class LearnedResponse:
    """The response with what it was learned from.

    ``lamps``: probability of each of LAMPS. ``noise``: deviation of the patches in units of their stated uncertainty.
    ``rendering``: the nonlinear part of the camera's processing. ``used`` (n,): the patches included.
    ``residual`` (n, 3): each patch's signal less the prediction from the others, and ``z`` (n, 3) the same in standard
    deviations; NaN for a channel at an end of the scale. ``counts``: as of `PatchSignals`.
    """

    response: Response
    lamps: tuple[float, ...]
    noise: float
    rendering: Rendering
    used: NDArray[np.bool_]
    residual: Array
    z: Array
    counts: tuple[float, float, float]

    def at(self, signal: Array) -> Response:
        """The response for a colour of that signal (3,)."""
        return self.rendering.at(self.response, signal)


@lru_cache(maxsize=1)
def _factors() -> Array:
    """Camera times lamp as ``factor @ z`` with unit normal ``z``, one of the camera for all lamps: (lamps, 31, 34)."""
    gap = WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM
    smooth = np.exp(-0.5 * (gap / SMOOTH_NM) ** 2) + 0.001 * np.eye(len(WAVELENGTHS_NM))
    window = np.exp(-0.5 * ((WAVELENGTHS_NM - BAND_MIDDLE_NM) / BAND_HALF_NM) ** 4)
    remainder = np.sqrt(REMAINDER) * window[:, None] * np.linalg.cholesky(smooth)
    bands = [np.exp(-0.5 * ((WAVELENGTHS_NM - middle) / width) ** 2) for middle, width in CAMERA_BANDS]
    camera = np.column_stack([*bands, remainder])
    lamps = load_illuminants()
    return np.array([lamps[name][:, None] * camera for name in LAMPS])


def learn_response(patches: PatchSignals, colours: CardColours) -> LearnedResponse:
    """The photograph's response; patches that contradict the others are left out one after the other."""
    # A deviation that rendering can explain is not a contradiction.
    whole = patches.only_whole()
    rendered = _Regression(whole, _Printed(colours, whole.usable), 1.0, USUAL_SIZE)
    linear = _Regression(whole, _consistent(rendered).printed)
    size = likeliest_size(alike(linear.colour, linear.colour), linear.covariance[linear.best],
                          np.where(linear.clear, linear.variance, 0.0), linear.y)
    partly = patches.usable & ~patches.whole
    patches = whole if size else patches
    printed = _Printed(colours, linear.used | partly) if partly.any() else linear.printed
    first = linear if not size and not partly.any() else _Regression(patches, printed, 1.0, size)
    fit = _with_own_noise(_readmitted(_consistent(first)))
    residual, z = fit.strays()
    return LearnedResponse(response=fit.response, lamps=fit.lamp_shares(), noise=fit.noise,
                           rendering=fit.rendering, used=fit.used, residual=residual, z=z, counts=patches.counts)


def _readmitted(fit: _Regression) -> _Regression:
    """The regression with patches that seemed to contradict others only while those were used."""
    _, z = fit.strays()
    agree = fit.patches.usable & (np.nan_to_num(np.abs(z)).max(axis=1) < OUTLIER)
    if (agree <= fit.used).all():
        return fit
    return _consistent(_Regression(fit.patches, _Printed(fit.colours, agree | fit.used), fit.noise, fit.size))


def _consistent(fit: _Regression) -> _Regression:
    """The regression on those of its used patches that agree with one another."""
    least = (1 - _MAX_LEFT_OUT) * fit.patches.usable.sum()
    while True:
        worst, limit = np.abs(fit.left_out()).max(axis=1), OUTLIER * max(1.0, fit.spread)
        if worst.max() <= limit or fit.used.sum() <= least:
            return fit
        used = fit.used.copy()
        used[np.flatnonzero(used)[worst > max(limit, WORST_SHARE * worst.max())]] = False
        fit = _Regression(fit.patches, _Printed(fit.colours, used), fit.noise, fit.size)


def _with_own_noise(fit: _Regression) -> _Regression:
    """The same with the noise that the patches' left-out residuals show in this photograph.

    Of heavy tails the median states too little. The patches' own uncertainty, where not measured, hides such noise.
    """
    for _ in range(_ROUNDS):
        residual = fit.left_out()[fit.clear[:-1].all(axis=1)]
        noise = _shrunk(fit.noise * float(np.sqrt(np.mean(residual**2))), int(fit.used.sum()))
        if fit.colours.covariance is not None:
            noise = max(1.0, noise)
        if abs(np.log(noise / fit.noise)) < _SETTLED:
            break
        fit = _Regression(fit.patches, fit.printed, noise, fit.size)
    return fit


def _shrunk(noise: float, n: int) -> float:
    """The noise of ``n`` patches in units of what is stated; less than stated is believed only as far as n prove it."""
    return noise if noise > 1.0 else float(np.sqrt((n * noise**2 + STATED_WORTH) / (n + STATED_WORTH)))


#: Median of the largest of three standard normal deviates in size.
_EXPECTED_WORST = 1.26


def stated_variance(patches: PatchSignals) -> Array:
    """Variance (n, 3) of each patch's signals by itself."""
    return np.asarray((np.array(patches.counts) * patches.slope) ** 2 + (SHARE * patches.signal) ** 2 + FLOOR**2)


class _Printed:
    """Patches that are ``used`` (n,) and the paper, as all lamps and strengths see them before any signal is known.

    ``x`` (k, 31): their spectra; ``grey`` (k,): which are neutral; ``factor`` (27, 31, 34) of each hypothesis, its
    ``prior`` (27, 31, 31), and the covariance ``seen`` (27, k, k) of the signals.
    """

    def __init__(self, colours: CardColours, used: NDArray[np.bool_]) -> None:
        self.colours, self.used = colours, used
        self.x = np.vstack([colours.reflectance[used], colours.paper])
        self.grey = np.array([*(i in colours.neutrals for i in colours.ids), True])[[*used, True]]
        self.factor = _sized_factors(self.x)
        self.prior = self.factor @ self.factor.transpose(0, 2, 1)
        self.seen = self.x @ self.prior @ self.x.T + _ink_variance(self.prior, colours, used)


class _Regression:
    """All lamps and strengths at once; the arrays' first axis runs over those of these hypotheses that count.

    ``share`` (27,): probability of each hypothesis; ``weight`` (h,): of those that count.
    """

    def __init__(self, patches: PatchSignals, printed: _Printed, noise: float = 1.0, size: float = 0.0) -> None:
        used, x, seen = printed.used, printed.x, printed.seen
        self.y = np.vstack([patches.signal[used], np.ones(3)])
        self.patches, self.printed, self.colours, self.used, self.noise = patches, printed, printed.colours, used, noise
        self.stated = stated_variance(patches)
        self.clear = np.vstack([patches.clear[used], np.ones((1, 3), dtype=bool)])
        self.variance = np.where(self.clear, np.vstack([self.stated[used] * noise**2, np.full(3, PAPER_U**2)]), UNKNOWN)
        self.size = size
        # No camera renders a grey as a colour: what else a grey patch shows contradicts the others.
        self.colour = np.where(printed.grey[:, None], self.y.mean(axis=1, keepdims=True), self.y)
        own = self.variance.T[:, None] * np.eye(len(x)) + (size**2 * alike(self.colour, self.colour) if size else 0.0)
        evidence = log_density(seen[:, None], self.y.T, own).sum(axis=1)
        share = np.exp(evidence - evidence.max())
        self.share = share / share.sum()
        keep = self.share > LEAST_SHARE
        self.weight = self.share[keep] / self.share[keep].sum()
        self.best = int(np.argmax(self.weight))
        self.x, self.factor, self.prior = x, printed.factor[keep], printed.prior[keep]
        self.cross = x @ self.prior
        self.covariance = seen[keep][:, None] + own
        self.best_inverse = np.linalg.inv(self.covariance[self.best])

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
        """Probability of each lamp."""
        return tuple(self.share.reshape(len(LAMPS), -1).sum(axis=1).tolist())

    @cached_property
    def _inverse(self) -> Array:
        return np.asarray(np.linalg.inv(self.covariance))

    @cached_property
    def response(self) -> Response:
        """Mean over the hypotheses; their disagreement joins the mismatch."""
        weight, gain = self.weight, self._gain
        mean = np.einsum("hcik,ic->hck", gain, self.y)
        centre = np.einsum("h,hck->ck", weight, mean)
        own = np.einsum("ic,ij->cij", self.variance, np.eye(len(self.y)))
        own = own + self.size**2 * alike(self.colour, self.colour)
        noise = np.einsum("hcik,cij,hcjl->hckl", gain, own, gain, optimize=True)
        prior = FRAME.T @ self.prior @ FRAME
        left = prior[:, None] - np.einsum("hik,hcil->hckl", self.cross @ FRAME, gain) - noise
        apart = mean - centre
        left = left + apart[..., :, None] * apart[..., None, :]
        unseen = (FRAME.T @ self.factor)[:, None] - np.einsum(
            "hcik,hir->hckr", gain, self.x @ self.factor, optimize=True)
        return Response(mean=centre, correction=np.einsum("h,hckl->ckl", weight, noise),
                        mismatch=np.einsum("h,hckl->ckl", weight, left),
                        camera=np.einsum("h,hckr->ckr", weight, unseen))

    @cached_property
    def rendering(self) -> Rendering:
        """The non-linear part of the camera's rendering, under the same hypotheses."""
        solved = np.einsum("hcij,jc->hci", self._inverse, self.y)
        means = np.einsum("hcik,ic->hck", self._gain, self.y)
        return Rendering(size=self.size, seen=self.colour, noise=self.variance, share=self.weight, means=means,
                         inverse=self._inverse, solved=solved, gain=self._gain, camera=self.x @ self.factor)

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
    def _gain(self) -> Array:
        """Change (h, 3, n, 13) of the response for a unit of each signal."""
        return np.asarray(np.einsum("hcij,hjk->hcik", self._inverse, self.cross @ FRAME))


def _sized_factors(x: Array) -> Array:
    """The factors (27, 31, 34) of all lamps and strengths, in units of the mean signal of spectra ``x`` (n, 31)."""
    factors = _factors()
    scale = ((x @ factors) ** 2).sum(axis=(1, 2)) / len(x)
    sizes = np.sqrt(np.array(STRENGTHS) / scale[:, None])
    return np.asarray((factors[:, None] * sizes[:, :, None, None]).reshape(-1, *factors.shape[1:]))


def _ink_variance(prior: Array, colours: CardColours, used: NDArray[np.bool_]) -> Array:
    """Variance (hypotheses, n, n) where the patches' spectra were themselves estimated; zero if measured."""
    n = int(used.sum()) + 1
    if colours.covariance is None:
        return np.zeros((1, n, n))
    cosines = FRAME[:, 1:]
    seen = cosines.T @ prior @ cosines
    out = np.zeros((len(prior), n, n))
    rows = np.arange(n - 1)
    out[:, rows, rows] = np.einsum("hij,nij->hn", seen, colours.covariance[used])
    for together in () if colours.shared is None else colours.shared[:, used]:
        out[:, :-1, :-1] += together @ prior @ together.T
    return out
