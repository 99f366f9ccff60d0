"""Response of a photograph's camera and lamp to spectra, learned from the printed patches.

A linear signal is the sum over wavelengths of reflectance times (camera times lamp). The patches' spectra
are known, so that product is estimated by regression on them (a Gaussian process over wavelength) under
lamps of CIE 15:2018 and mixtures of two, weighted by how well each explains the patches. What the patches do
not determine (their inks span less than the pads' dyes) remains as uncertainty: metamerism, quantified.

Estimating camera sensitivities from chart pictures: Jiang, Liu, Gu, Suesstrunk, IEEE WACV 2013.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.observation import Response
from stripread.reading.metadata import Channels
from stripread.reading.patches import CardColours, PatchSignals
from stripread.reading.rendering import USUAL_SIZE, Rendering, alike, likeliest_size
from stripread.reading.response_prior import STRENGTHS
from stripread.reading.response_regression import LEAST_LIKELY, SINGLE_LAMPS, USUAL_STRENGTH, Regression, Subset

Array = NDArray[np.float64]

#: A patch whose left-out residual is beyond this many standard deviations is not what it was measured as.
OUTLIER = 4.5
#: Only such as come near the worst go at a time: one covered patch makes good ones look wrong.
WORST_SHARE = 0.8
_MAX_LEFT_OUT = 0.4
#: Patches that the stated uncertainty weighs as much as where those of a photograph scatter less (the degrees of
#: freedom of an inverse chi-square prior: stated uncertainties are known to a fifth, JCGM 100:2008, table E.1).
STATED_WORTH = 12
#: The noise is sought until its logarithm changes by less than this, at most this many times.
_SETTLED, _ROUNDS = 0.14, 3


@dataclass(frozen=True, slots=True)
class LearnedResponse:
    """The response with what it was learned from.

    ``lamps``: probability of each of LAMPS. ``noise``: deviation of the patches in units of their stated uncertainty.
    ``rendering``: the nonlinear part of the camera's processing. ``used`` (n,): the patches included.
    ``residual`` (n, 3): each patch's signal less the prediction from the others, and ``z`` (n, 3) the same in standard
    deviations; NaN for a channel at an end of the scale. ``coding_u``: as of `PatchSignals`.
    """

    response: Response
    lamps: tuple[float, ...]
    noise: float
    rendering: Rendering
    used: NDArray[np.bool_]
    residual: Array
    z: Array
    coding_u: Channels

    def at(self, signal: Array) -> Response:
        """The response for a colour of that signal (3,)."""
        return self.rendering.at(self.response, signal)


def learn_response(patches: PatchSignals, colours: CardColours) -> LearnedResponse:
    """The photograph's response; patches that contradict the others are left out one after the other."""
    # A deviation that rendering can explain is not a contradiction.
    whole = patches.only_whole()
    rendered = _consistent(Regression(whole, colours, Subset(whole.usable, SINGLE_LAMPS), size=USUAL_SIZE))
    linear = Regression(whole, colours, Subset(rendered.used, USUAL_STRENGTH))
    size = likeliest_size(alike(linear.colour, linear.colour), linear.best_covariance,
                          np.where(linear.clear, linear.variance, 0.0), linear.y)
    lights = Regression(whole, colours, Subset(linear.used, USUAL_STRENGTH), size=size) if size else linear
    lights = _consistent(lights)
    likely = (lights.by_light > LEAST_LIKELY).repeat(len(STRENGTHS))
    patches = whole if size else patches
    fit = Regression(patches, colours, Subset(lights.used | (patches.usable & ~patches.whole), likely), size=size)
    fit = _with_own_noise(_readmitted(_consistent(fit)))
    residual, z = fit.strays()
    return LearnedResponse(response=fit.response, lamps=fit.lamp_shares(), noise=fit.noise,
                           rendering=fit.rendering, used=fit.used, residual=residual, z=z, coding_u=patches.coding_u)


def _readmitted(fit: Regression) -> Regression:
    """The regression with patches that seemed to contradict others only while those were used."""
    _, z = fit.strays()
    agree = fit.patches.usable & (np.nan_to_num(np.abs(z)).max(axis=1) < OUTLIER)
    if (agree <= fit.used).all():
        return fit
    return _consistent(fit.with_patches(agree | fit.used))


def _consistent(fit: Regression) -> Regression:
    """The regression on those of its used patches that agree with one another."""
    least = (1 - _MAX_LEFT_OUT) * fit.patches.usable.sum()
    while True:
        worst, limit = np.abs(fit.left_out()).max(axis=1), OUTLIER * max(1.0, fit.spread)
        if worst.max() <= limit or fit.used.sum() <= least:
            return fit
        used = fit.used.copy()
        used[np.flatnonzero(used)[worst > max(limit, WORST_SHARE * worst.max())]] = False
        fit = fit.with_patches(used)


def _with_own_noise(fit: Regression) -> Regression:
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
        fit = fit.with_noise(noise)
    return fit


def _shrunk(noise: float, n: int) -> float:
    """The noise of ``n`` patches in units of what is stated; less than stated is believed only as far as n prove it."""
    return noise if noise > 1.0 else float(np.sqrt((n * noise**2 + STATED_WORTH) / (n + STATED_WORTH)))
