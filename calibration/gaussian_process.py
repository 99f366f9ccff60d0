"""The model of a chart's curve: a Gaussian process of spectra along the concentration.

Before any standard is seen, a curve is expected to be a line along the scale, bent. Every photograph shows the pad
through its own camera and light; the process joins them into the one reflectance curve of all of them (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, ch. 2 and 5). What the patches cannot show of a camera is an
error that all its photographs share, under every light; what they cannot show of a lamp, one that all photographs
under it share. Neither averages out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.observation import GivenNoise, StandardObservation, flat, outer, same
from calibration.reflectance import PRIOR_SD, load_derivative, prior_variance, prior_variance_slope
from calibration.scale import Scale

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class KernelParameters:
    """Parameters of the prior, in units of its standard deviation.

    ``slope`` along the scale, ``bend`` away from a straight line over ``length`` of the scale; the scatter of dye
    load from strip to strip ``load`` (relative), of the white veil of mirrored light from photograph to photograph
    ``veil`` (share of white), and of each channel by itself ``texture`` (relative): what pads stray beyond patches;
    the correlation length ``spectral_nm`` of reflectance over wavelength.

    A Gaussian band is as smooth as a process whose length is the root of 2 times the band's standard deviation. Bands
    of indicator dyes are 80 to 120 nm wide at half height (from memory), which makes 48 to 72 nm.
    """

    slope: float = 1.5
    bend: float = 0.5
    length: float = 0.35
    load: float = 0.02
    veil: float = 0.005
    texture: float = 0.003
    spectral_nm: float = 60.0


#: Where the numbers of a shape are sought, in their order.
BOUNDS = ((0.3, 6.0), (0.03, 3.0), (0.15, 1.5), (0.003, 0.3), (0.0005, 0.05), (0.0005, 0.05), (25.0, 120.0))
#: What is usual, and the standard deviation of its logarithm: so few photographs say little of some of the numbers.
USUAL, USUAL_SD = np.log(astuple(KernelParameters())), np.array([1.0, 1.0, 1.0, 0.5, 1.0, 1.0, 0.25])


def kernel(shape: KernelParameters, x: Array, y: Array) -> Array:
    """Prior covariance (n, m) along the scale between positions (n,) and (m,): a line, bent by a Matern 5/2 process.

    Rasmussen and Williams, eq. 4.17: a squared exponential is too sure of what lies between levels.
    """
    gap = np.sqrt(5.0) * np.abs(x[:, None] - y) / shape.length
    bent = shape.bend**2 * (1 + gap + gap**2 / 3) * np.exp(-gap)
    return np.asarray(PRIOR_SD**2 * (1.0 + shape.slope**2 * x[:, None] * y + bent))


def kernel_slopes(shape: KernelParameters, x: Array) -> Iterator[Array]:
    """Change (n, n) of the kernel with slope, bend and length."""
    gap = np.sqrt(5.0) * np.abs(x[:, None] - x) / shape.length
    bent = PRIOR_SD**2 * shape.bend**2 * np.exp(-gap)
    yield PRIOR_SD**2 * 2 * shape.slope * x[:, None] * x
    yield 2 * bent * (1 + gap + gap**2 / 3) / shape.bend
    yield bent * gap**2 * (1 + gap) / 3 / shape.length


#: Times that shape and spectra are settled in turn.
_SETTLED = 2
#: Fraction of the shared covariance used in the weights.
SHARED_TRUST = 0.5
#: Half width of the step over which slopes along the scale are taken.
_STEP = 1e-3


class SpectralGP:
    """One analyte's standards on one scale; re-solved for a shape until the spectra settle."""

    def __init__(self, standards: Sequence[StandardObservation], scale: Scale) -> None:
        self.standards = standards
        self.scale = scale
        self.shape = KernelParameters()
        value, u = np.array([(s.value, s.u) for s in standards]).T
        self.x = scale.position(value)
        self.levels, self.level_of = np.unique(value, return_inverse=True)
        ends = scale.position(np.clip([value - u, value + u], scale.low, scale.high))
        self.x_u = (ends[1] - ends[0]) / 2
        mean = np.array([s.pad.response.mean for s in standards])
        self.h = mean[:, :, 1:]
        self.residual = (np.array([s.pad.signal for s in standards]) - mean[:, :, 0]).ravel()
        self.weights = np.zeros((len(standards), self.h.shape[2]))
        self.slope = np.zeros_like(self.weights)
        self._seen = self.h.reshape(-1, self.h.shape[2])
        self._given = GivenNoise.of(standards)
        self._white = np.array([s.pad.response.white for s in standards])
        self._same_standard = same([s.standard for s in standards])
        self._uncertain = np.zeros((len(self.levels), self.weights.shape[1]) * 2)
        self._settle()

    def solve(self, shape: KernelParameters, rounds: int = 1) -> None:
        """Settle the process for a shape; the noise depends on the spectra, hence the rounds."""
        self.shape = shape
        n = len(self.standards)
        self._rows = prior_variance(shape.spectral_nm)[:, None] * self._seen.T
        for _ in range(rounds):
            prior, noise, working = self._prior(shape), self.noise(shape), self._working(shape)
            self.inverse, _ = _inverse(prior + noise)
            self.alpha = self.inverse @ self.residual
            self._weights, _ = _inverse(prior + working)
            self._unlike = noise - working
            self._estimate = self._weights @ self.residual
            places = np.concatenate([self.x, self.x - _STEP, self.x + _STEP])
            self.weights, before, after = self.at(places).reshape(3, n, -1)
            self.slope = (after - before) / (2 * _STEP)
            self._uncertain = self._between(self.scale.position(self.levels))
            self._settle()

    def _settle(self) -> None:
        """Compute what follows from the spectra alone: change (n, 3) of the signals for dye load, and the noise."""
        self.strip = np.einsum("ncj,nj->nc", self.h, load_derivative(self.weights))
        self._own = self._given.own(self.weights)
        self._common = self._given.common(self.weights, self.level_of, self._uncertain) + self._level()

    def _prior(self, shape: KernelParameters) -> Array:
        """Covariance (3n, 3n) of the curve's own signals."""
        return flat(self._alike(prior_variance(shape.spectral_nm)) * kernel(shape, self.x, self.x)[:, None, :, None])

    def _alike(self, variance: Array) -> Array:
        """Covariance (n, 3, n, 3) of the signals of one place, for a variance (12,) of each coefficient."""
        n = len(self.standards)
        return np.asarray(self._seen * variance @ self._seen.T).reshape(n, 3, n, 3)

    def noise(self, shape: KernelParameters) -> Array:
        """Covariance (3n, 3n) of the signals about the curve."""
        n = len(self.standards)
        noise = self._common.copy()
        noise[np.arange(n), :, np.arange(n)] += self._alone(shape)
        return flat(noise)

    def _working(self, shape: KernelParameters) -> Array:
        """The noise (3n, 3n) by which photographs are weighted: half of what is shared counts as each one's own.

        Weights that trust the shared covariance fully rely on details of it that are not known, the more so the more
        photographs there are. The stated covariance of the curve uses the whole noise all the same.
        """
        n = len(self.standards)
        noise = self.noise(shape).reshape(n, 3, n, 3)
        out, i = SHARED_TRUST * noise, np.arange(n)
        out[i, :, i] = noise[i, :, i]
        return flat(out)

    def own_noise(self) -> Array:
        """Covariance (n, 3, 3) of each photograph's signals about the curve: as measured, strip, veil, level."""
        n = np.arange(len(self.standards))
        return np.asarray(self._alone(self.shape) + self._level()[n, :, n])

    def _alone(self, shape: KernelParameters) -> Array:
        strip, white = self.strip * shape.load, self._white * shape.veil
        texture = (shape.texture * self._given.signal)[:, :, None] ** 2 * np.eye(3)
        return np.asarray(self._own + outer(strip) + outer(white) + texture)

    def _level(self) -> Array:
        """Covariance (n, 3, n, 3) from solutions that miss their certified values; one error a solution."""
        level = self.shift * self.x_u[:, None]
        return np.asarray(level[:, :, None, None] * level * self._same_standard[:, None, :, None])

    @property
    def shift(self) -> Array:
        """Change (n, 3) of each photograph's signals for a unit of the scale."""
        return np.asarray(np.einsum("ncj,nj->nc", self.h, self.slope))

    def places(self) -> Array:
        """Place (n,) on the scale at which each photograph by itself puts its pad, to first order."""
        weight = np.linalg.solve(self.own_noise(), self.shift[:, :, None])[:, :, 0]
        weight /= (weight * self.shift).sum(axis=1, keepdims=True)
        off = self.residual.reshape(-1, 3) - np.einsum("ncj,nj->nc", self.h, self.weights)
        return np.asarray(self.x + (weight * off).sum(axis=1))

    def _cross(self, x: Array) -> Array:
        """Prior covariance (m, 12, 3n) of the coefficients at positions (m,) with all signals."""
        k = kernel(self.shape, x, self.x)[:, None, :, None]
        return np.asarray((k * self._rows.reshape(1, -1, len(self.x), 3)).reshape(len(x), len(self._rows), -1))

    def at(self, x: Array) -> Array:
        """Posterior mean of the coefficients at positions ``(n,)``, shape ``(n, 12)``."""
        return np.asarray(self._cross(x) @ self._estimate)

    def _between(self, x: Array) -> Array:
        """Covariance (m, 12, m, 12) of the estimated coefficients at and between positions (m,)."""
        cross = self._cross(x).reshape(-1, len(self.residual))
        gain = cross @ self._weights
        prior = kernel(self.shape, x, x)[:, None, :, None] * np.diag(prior_variance(self.shape.spectral_nm))[:, None]
        return np.asarray(prior + ((gain @ self._unlike - cross) @ gain.T).reshape(prior.shape))

    def covariance_at(self, x: Array) -> Array:
        """Covariance of the estimated coefficients at positions ``(n,)``, shape ``(n, 12, 12)``.

        That of a linear estimate whose weights follow another noise than the data.
        """
        cross = self._cross(x)
        prior = np.diag(kernel(self.shape, x, x))[:, None, None] * np.diag(prior_variance(self.shape.spectral_nm))
        gain = cross @ self._weights
        return prior + (gain @ self._unlike - cross) @ gain.transpose(0, 2, 1)

    def trial(self, shape: KernelParameters) -> tuple[float, Array]:
        """Log marginal likelihood of the standards under a shape and its gradient (6,), the spectra kept as settled.

        Rasmussen and Williams, eqs. 2.30 and 5.9.
        """
        inverse, log_determinant = _inverse(self._prior(shape) + self.noise(shape))
        alpha = inverse @ self.residual
        evidence = -0.5 * (self.residual @ alpha + log_determinant)
        n = len(self.standards)
        pull = (alpha[:, None] * alpha - inverse).reshape(n, 3, n, 3)
        by_place = (pull * self._alike(prior_variance(shape.spectral_nm))).sum(axis=(1, 3))
        own = pull[np.arange(n), :, np.arange(n)]
        gradient = [0.5 * (by_place * change).sum() for change in kernel_slopes(shape, self.x)]
        gradient += [size * np.einsum("nc,ncd,nd->", v, own, v)
                     for size, v in ((shape.load, self.strip), (shape.veil, self._white))]
        gradient.append(shape.texture * np.einsum("nc,ncc->", self._given.signal**2, own))
        smoother = (pull * self._alike(prior_variance_slope(shape.spectral_nm))).sum(axis=(1, 3))
        gradient.append(0.5 * (smoother * kernel(shape, self.x, self.x)).sum())
        return float(evidence), np.array(gradient)

    @property
    def left_out(self) -> float:
        """Mean log density of a whole level's signals, predicted from all other levels.

        The end levels are left in: without them the curve would have to be extended, not interpolated.
        """
        total = 0.0
        for level in range(1, len(self.levels) - 1):
            error, precision = self.without(self.level_of == level)
            total += -0.5 * error @ precision @ error + 0.5 * np.linalg.slogdet(precision)[1]
        return float(total / (len(self.levels) - 2))

    def without(self, members: NDArray[np.bool_]) -> tuple[Array, Array]:
        """Errors (3k,) and precision (3k, 3k) of the members' signals, predicted from all other photographs.

        Rasmussen and Williams, eqs. 5.10-5.12, for groups.
        """
        rows = (3 * np.flatnonzero(members)[:, None] + np.arange(3)).ravel()
        precision = self.inverse[np.ix_(rows, rows)]
        return np.linalg.solve(precision, self.alpha[rows]), precision


def _inverse(covariance: Array) -> tuple[Array, float]:
    """Inverse and logarithm of the determinant of a positive definite matrix."""
    from scipy.linalg import cho_factor
    from scipy.linalg.lapack import dpotri

    factor, _ = cho_factor(covariance, check_finite=False)
    # Cholesky's factor fills one triangle, and so does the inverse that LAPACK makes of it.
    upper = np.triu(dpotri(factor)[0])
    return upper + np.triu(upper, 1).T, 2 * float(np.log(np.diagonal(factor)).sum())


def optimise_kernel(process: SpectralGP) -> None:
    """Take the shape under which the standards are most likely."""
    from scipy.optimize import minimize

    def cost(logs: Array) -> tuple[float, Array]:
        shape = KernelParameters(*np.exp(logs).tolist())
        evidence, gradient = process.trial(shape)
        off = (logs - USUAL) / USUAL_SD
        return 0.5 * float(off @ off) - evidence, off / USUAL_SD - gradient * np.exp(logs)

    for _ in range(_SETTLED):
        optimum = minimize(cost, np.log(astuple(process.shape)), jac=True, method="L-BFGS-B", bounds=np.log(BOUNDS))
        process.solve(KernelParameters(*np.exp(optimum.x).tolist()), rounds=3)
