"""The tabular CUSUM: small lasting shifts of a mean, both ways, with the place at which they began.

Page, Biometrika 41:100, 1954; fast initial response: Lucas and Crosier, Technometrics 24:199, 1982; run lengths
by a Markov chain: Brook and Evans, Biometrika 59:539, 1972.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

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
    width = 2.0 * limit / (2 * _STATES - 1)
    # State 0 is the sum at rest, which any smaller value reaches too; the others are centred on their width.
    centre = width * np.arange(_STATES)
    below = np.vectorize(NormalDist().cdf)
    edges = (centre[None, :] + width / 2) - centre[:, None] + reference - shift
    stay = np.diff(below(edges), axis=1, prepend=0.0)
    runs = np.linalg.solve(np.eye(_STATES) - stay, np.ones(_STATES))
    return float(np.interp(head_start, centre, runs))


def two_sided(upwards: float, downwards: float) -> float:
    """Run length of both sums together from that of each (Van Dobben de Bruyn, 1968)."""
    return 1.0 / (1.0 / upwards + 1.0 / downwards)
