"""Replicate values of one sample combined to one value, and the correlation between the joint values.

Each estimate represents its log-likelihood, that of a normal distribution whose width changes evenly from one end
of its interval to the other (Barlow, arXiv:physics/0406120, 2004). One at an end of the range shows only that its
value lies there or beyond (Tobin, Econometrica 26:24, 1958). Their sum is that of independent readings; it is then
adjusted for what they have in common (the independence likelihood of Chandler and Bate, Biometrika 94:167, 2007),
by the variances of JCGM 100:2008, 5.1.2 for random parts and 5.2.2, note 1 for shared ones.

What a photograph has of its own averages out like the random parts of the values; the mismatch of its light is the
same in all photographs under one lamp and partly the same under several. Photographs count alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from math import erfc, sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.value import ONE_SIDED, TWO_SIDED
from shared.analytes import ANALYTES
from shared.estimate import Z95, Correlation, Estimate, Measurement, Part, Status
from stripread.reading.result import Reading

Array = NDArray[np.float64]

#: Points at which the joint likelihood is looked at, first over all intervals, then where it is within so much
#: of its best.
_POINTS, _LIKELY = 1001, 8.0
#: Standard normal distribution function by the complementary error function, which keeps small probabilities.
_below = np.vectorize(lambda z: 0.5 * erfc(-z / sqrt(2.0)), otypes=[np.float64])
#: Deviation below which the curvature of log Phi is 1 within 1 part in 800 (its limit).
_FAR = -28.0


class SplitNormals:
    """Likelihood of a value under each of n estimates of one analyte.

    ``down``, ``up`` (n,): two-sided 95 % reach below and above ``value``. ``stopped`` (n,): +1 where the
    estimate stopped at an upper end of what can be read, -1 at a lower, else 0.
    """

    def __init__(self, estimates: Sequence[Estimate]) -> None:
        physical = ANALYTES[estimates[0].analyte]
        status = np.array([e.status for e in estimates])
        self.value, low, high = (np.array([getattr(e, name) for e in estimates]) for name in ("value", "low", "high"))
        self.stopped = np.select([(status == "below") | (self.value <= physical.lower),
                                  (status == "above") | (self.value >= physical.upper)], [-1, 1], 0)
        # Where a physical limit cuts the interval short, its reach is taken from the budget.
        u = Z95 * np.array([np.hypot(e.u_random, e.u_shared) for e in estimates])
        to_two_sided = np.where(status == "measured", 1.0, np.sqrt(TWO_SIDED / ONE_SIDED))
        down, up = (self.value - low) * to_two_sided, (high - self.value) * to_two_sided
        down = np.where(low <= physical.lower, np.maximum(down, u), down)
        up = np.where(high >= physical.upper, np.maximum(up, u), up)
        self.down, self.up = np.where(self.stopped < 0, up, down), np.where(self.stopped > 0, down, up)

    def deviations(self, x: Array) -> Array:
        """The estimates' deviations (m, n) from values ``x`` (m,), in standard deviations."""
        off = self.value - x[:, None]
        width = (2 * self.down * self.up - (self.up - self.down) * off) / (self.down + self.up)
        return np.asarray(Z95 * off / np.maximum(width, np.minimum(self.down, self.up) / 2))

    def misfit(self, x: Array) -> Array:
        """Squared deviates (m, n) as far as they contradict ``x`` (m,): none beyond an end that stopped them."""
        z = self.deviations(x)
        return np.where(z * self.stopped < 0, 0.0, z) ** 2

    def log_likelihood(self, x: Array) -> Array:
        """Sum (m,) over the estimates at values ``x`` (m,)."""
        if abs(self.stopped.sum()) == len(self.stopped):
            # All of them are bounds: the data do not show how far beyond them the value lies.
            return np.asarray(-0.5 * self.misfit(x).sum(axis=1))
        z, free = self.deviations(x), self.stopped == 0
        beyond = _below(-z[:, ~free] * self.stopped[~free])
        return np.asarray(-0.5 * (z[:, free] ** 2).sum(axis=1) + np.log(np.maximum(beyond, 1e-300)).sum(axis=1))

    def weights(self, x: float) -> Array:
        """Share (n,) of each in the joint value ``x``: the curvature of its log-likelihood there."""
        z = -self.deviations(np.array([x]))[0] * self.stopped
        near = np.maximum(z, _FAR)
        slope = np.exp(-0.5 * near**2) / np.sqrt(2 * np.pi) / _below(near)
        bend = np.where(z < _FAR, 1.0, slope * (slope + near))
        curvature = np.where(self.stopped == 0, 1.0, bend) / (self.down * self.up)
        return np.asarray(curvature / curvature.sum())


class Replicates:
    """Estimates of one analyte in one sample. ``also_shared``: names of parts that these have in common besides."""

    def __init__(self, estimates: Sequence[Estimate], also_shared: frozenset[str] = frozenset()) -> None:
        if not all(e.u_random + e.u_shared > 0 for e in estimates):
            raise ValueError("an estimate without an uncertainty budget cannot be combined")
        self.estimates = estimates
        self.also_shared = also_shared
        self.physical = ANALYTES[estimates[0].analyte]
        self.bells = SplitNormals(estimates)
        self.grid = self._grid()
        self.likelihood = self.bells.log_likelihood(self.grid)

    def _grid(self) -> Array:
        """Values within the physical limits that are likely at all, the ends of the estimates' intervals among them."""
        value, down, up = self.bells.value, self.bells.down, self.bells.up
        one_sided = np.sqrt(ONE_SIDED / TWO_SIDED)
        ends = np.concatenate([value + reach for reach in (0.0, -down, up, -down * one_sided, up * one_sided)])
        ends = np.clip(ends, self.physical.lower, self.physical.upper)
        coarse = np.linspace(ends.min(), ends.max(), _POINTS)
        likelihood = self.bells.log_likelihood(coarse)
        likely = np.flatnonzero(likelihood > likelihood.max() - _LIKELY)
        first, last = coarse[max(likely[0] - 1, 0)], coarse[min(likely[-1] + 1, _POINTS - 1)]
        return np.union1d(np.linspace(first, last, _POINTS), ends[(ends >= first) & (ends <= last)])

    @cached_property
    def best(self) -> float:
        """The most likely value; of several alike, beyond an end of the range, the one nearest to the range."""
        alike = self.grid[self.likelihood >= self.likelihood.max() - 1e-12]
        return float(alike[np.argmin(np.abs(alike - self.bells.value.mean()))])

    @cached_property
    def weights(self) -> Array:
        """Share (n,) of each estimate in the joint value."""
        return self.bells.weights(self.best)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The parts of the estimates' budgets."""
        return tuple(dict.fromkeys(p.name for e in self.estimates for p in e.budget))

    def part(self, name: str) -> Array:
        """Standard uncertainty (n,) of one part."""
        return np.array([sum(p.u for p in e.budget if p.name == name) for e in self.estimates])

    def is_shared(self, name: str) -> bool:
        """Whether the estimates have a part in common."""
        return name in self.also_shared or any(p.shared for e in self.estimates for p in e.budget if p.name == name)

    def joint(self, excess_u: float = 0.0) -> Estimate:
        """The joint estimate. ``excess_u``: scatter of single readings that no part explains; widens the interval."""
        parts = {name: self.weights * self.part(name) for name in self.names}
        budget = [Part(name=name, shared=True, u=float(u.sum())) if self.is_shared(name)
                  else Part(name=name, shared=False, u=float(np.linalg.norm(u))) for name, u in parts.items()]
        if excess_u > 0:
            budget.append(Part(name="disagreement", u=excess_u * float(np.linalg.norm(self.weights)), shared=False))
        independent = sum(float((u**2).sum()) for u in parts.values())
        widened = np.sqrt(sum(p.u**2 for p in budget) / independent) if independent > 0 else 1.0
        status, value = self._status()
        low, high = self._interval(status, float(widened))
        return Estimate(analyte=self.physical.id, unit=self.estimates[0].unit, status=status, value=value,
                        low=min(low, value), high=max(high, value), budget=tuple(budget))

    def _status(self) -> tuple[Status, float]:
        """Whether the most likely value lies in the range that the estimates show; that value or the range's end."""
        for e in self.estimates:
            if (e.status == "below" and self.best <= e.value) or (e.status == "above" and self.best >= e.value):
                return e.status, e.value
        return "measured", self.best

    def _interval(self, status: Status, widened: float) -> tuple[float, float]:
        """The 95 % interval: ``widened`` times what the likelihood would give if nothing were shared."""
        drop = TWO_SIDED if status == "measured" else ONE_SIDED
        inside = self.grid[self.likelihood >= self.likelihood.max() - drop * (1 + 1e-6)]
        low, high = (self.best + widened * (end - self.best) for end in inside[[0, -1]])
        if status == "below" or inside[0] <= self.physical.lower:
            low = self.physical.lower
        if status == "above" or inside[-1] >= self.physical.upper:
            high = self.physical.upper
        return max(float(low), self.physical.lower), min(float(high), self.physical.upper)


#: Two joint values are never stated to be more alike than this.
_MOST = 0.98


def joint_correlations(readings: Sequence[Reading], joint: Sequence[Measurement], common: float
                       ) -> tuple[Correlation, ...]:
    """Correlations of ``joint`` values; ``common``: share of the mismatch that different photographs have in common."""
    u = {p.analyte: _u(p) for p in joint if p.status == "measured" and _u(p) > 0}
    single = [{p.analyte: _u(p) for p in r.pads} for r in readings]
    correlations: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for reading, of in zip(readings, single, strict=True):
        for c in reading.correlations:
            scale = of.get(c.analytes[0], 0.0) * of.get(c.analytes[1], 0.0)
            correlations.setdefault(c.analytes, []).append(((c.r - c.shared) * scale, c.shared * scale))
    return tuple(_joint(pair, np.array(parts), u, common) for pair, parts in correlations.items()
                 if u.keys() >= set(pair))


def _joint(pair: tuple[str, str], parts: Array, u: Mapping[str, float], common: float) -> Correlation:
    """``parts`` (n, 2): covariances of each photograph by itself, and of its mismatch."""
    own, mismatch = parts.mean(axis=0)
    left = mismatch * (common + (1 - common) / len(parts))
    covariance = np.array([own / len(parts) + left, left]) / (u[pair[0]] * u[pair[1]])
    r, shared = np.clip(covariance, -_MOST, _MOST).tolist()
    return Correlation(analytes=pair, r=round(r, 3), shared=round(shared, 3))


def _u(value: Measurement) -> float:
    return float(np.sqrt(sum(p.u**2 for p in value.budget)))
