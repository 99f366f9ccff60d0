"""Changes of the mean of values in order of time: one step, and small lasting shifts.

Step: the likelihood ratio of one step at each possible place, the errors known (Hawkins, JASA 72:180, 1977); errors
may be shared, as those of a strip batch are, and then a step where the batches meet has to be larger to count.
The largest ratio is judged against draws of the same errors without a step, so the false-alarm rate is the one
stated. Where: the places' posterior with equal prior odds (Smith, Biometrika 62:407, 1975).
Shifts both ways, with the place at which they began: the tabular CUSUM of Page, Biometrika 41:100, 1954; fast initial
response: Lucas and Crosier, Technometrics 24:199, 1982; run lengths by a Markov chain: Brook and Evans, Biometrika
59:539, 1972.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.least_squares import whitener

Array = NDArray[np.float64]

#: Draws for the false-alarm rate, and their seed: the same values always give the same answer.
_DRAWS, _SEED = 2000, 1977
#: Values on either side that a step needs.
LEAST_SIDE = 2


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """The likeliest step: before the value at ``place``, of ``size`` with its standard uncertainty.

    ``probability``: of a ratio at least as large without a step. ``places`` and their ``weights``: the posterior.
    """

    place: int
    size: float
    u: float
    probability: float
    places: NDArray[np.int64]
    weights: Array

    def span(self, level: float = 0.95) -> tuple[int, int]:
        """First and last of the likeliest places that together contain ``level`` of the posterior."""
        order = np.argsort(-self.weights)
        taken = order[: int(np.searchsorted(np.cumsum(self.weights[order]), level)) + 1]
        held = self.places[taken]
        return int(held.min()), int(held.max())


def find_step(y: Array, covariance: Array) -> ChangePoint | None:
    """The likeliest step in ``y`` (n,); None with fewer than two values on either side."""
    places = np.arange(LEAST_SIDE, len(y) - LEAST_SIDE + 1)
    if len(places) == 0:
        return None
    white = whitener(covariance)
    contrasts, u = _contrasts(white, places)
    z = contrasts @ (white @ y)
    best = int(np.argmax(np.abs(z)))
    drawn = np.random.default_rng(_SEED).standard_normal((len(y), _DRAWS))
    larger = int((np.abs(contrasts @ drawn).max(axis=0) >= abs(z[best])).sum())
    weights = np.exp((z**2 - z[best] ** 2) / 2) * u
    return ChangePoint(place=int(places[best]), size=float(z[best] * u[best]), u=float(u[best]),
                probability=(larger + 1) / (_DRAWS + 1), places=places, weights=weights / weights.sum())


def _contrasts(white: Array, places: NDArray[np.int64]) -> tuple[Array, Array]:
    """Unit contrasts (k, n) of the whitened values, one a place, and the standard uncertainty (k,) of each step.

    The step's column with the mean's taken out of it: its product with the values, over its length squared, is
    the size of the step.
    """
    n = white.shape[0]
    mean = white @ np.ones(n)
    mean /= np.linalg.norm(mean)
    steps = (np.arange(n)[None, :] >= places[:, None]).astype(np.float64) @ white.T
    steps -= np.outer(steps @ mean, mean)
    length = np.linalg.norm(steps, axis=1)
    return steps / length[:, None], 1.0 / length


#: Reference value and decision limit in standard deviations: quickest for shifts of about 1 (ISO 7870-4:2021).
REFERENCE, DECISION = 0.5, 5.0
#: States of the Markov chain.
_STATES = 200


@dataclass(frozen=True, slots=True)
class Cusum:
    """Sums (n,) upwards and downwards after each value; ``limit`` beyond which they give the alarm."""

    high: Array
    low: Array
    limit: float

    @property
    def first(self) -> int | None:
        """Place of the first alarm, None without any."""
        beyond = np.flatnonzero(np.maximum(self.high, self.low) > self.limit)
        return int(beyond[0]) if len(beyond) else None

    @property
    def upwards(self) -> bool:
        """Whether the first alarm is a rise. Raises ValueError without an alarm."""
        first = self._alarm()
        return bool(self.high[first] > self.low[first])

    @property
    def onset(self) -> int:
        """Place of the first value after which the sum that gave the alarm was no longer 0. ValueError without."""
        first = self._alarm()
        side = self.high if self.upwards else self.low
        at_rest = np.flatnonzero(side[:first] == 0.0)
        return int(at_rest[-1]) + 1 if len(at_rest) else 0

    def _alarm(self) -> int:
        first = self.first
        if first is None:
            raise ValueError("there was no alarm")
        return first


def cusum(z: Array, *, reference: float = REFERENCE, limit: float = DECISION, head_start: float = 0.0) -> Cusum:
    """Sums over ``z`` (n,), standard deviations from the target. ``head_start``: ``limit / 2`` for fast response."""
    high, low, sums = head_start, head_start, []
    for value in z.tolist():
        high, low = max(0.0, high + value - reference), max(0.0, low - value - reference)
        sums.append((high, low))
    both = np.array(sums).reshape(-1, 2)
    return Cusum(both[:, 0], both[:, 1], limit)


def run_length(shift: float, *, reference: float = REFERENCE, limit: float = DECISION,
               head_start: float = 0.0) -> float:
    """Mean number of values until a one-sided sum gives the alarm, the mean being off by ``shift``."""
    centre, stay = _chain(shift, reference, limit)
    runs = np.linalg.solve(np.eye(_STATES) - stay, np.ones(_STATES))
    return float(np.interp(head_start, centre, runs))


def alarm_probability(n: int, shift: float, *, reference: float = REFERENCE, limit: float = DECISION,
                      head_start: float = 0.0) -> float:
    """Probability that a one-sided sum gives the alarm within ``n`` values, the mean being off by ``shift``."""
    centre, stay = _chain(shift, reference, limit)
    return float(np.interp(head_start, centre, 1 - np.linalg.matrix_power(stay, n).sum(axis=1)))


def _chain(shift: float, reference: float, limit: float) -> tuple[Array, Array]:
    """States (k,) of a sum below its limit, and the probabilities (k, k) to pass from one to another."""
    width = 2.0 * limit / (2 * _STATES - 1)
    # State 0 is the sum at rest, which any smaller value reaches too; the others are centred on their width.
    centre = np.asarray(width * np.arange(_STATES), dtype=np.float64)
    below = np.vectorize(NormalDist().cdf)
    edges = (centre[None, :] + width / 2) - centre[:, None] + reference - shift
    return centre, np.diff(below(edges), axis=1, prepend=0.0)


def two_sided(upwards: float, downwards: float) -> float:
    """Run length of both sums together from that of each (Van Dobben de Bruyn, 1968)."""
    return 1.0 / (1.0 / upwards + 1.0 / downwards)
