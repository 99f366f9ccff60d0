"""A step in the mean of values in order of time: whether there is one, where, and how large.

The likelihood ratio of one step at each possible place, the errors known (Hawkins, JASA 72:180, 1977); errors
may be shared, as those of a strip batch are, and then a step where the batches meet has to be larger to count.
The largest ratio is judged against draws of the same errors without a step, so the false-alarm rate is the one
stated. Where: the places' posterior with equal prior odds (Smith, Biometrika 62:407, 1975).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.correlated import whitener

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
