"""How well two people agree beyond chance: Cohen's kappa.

Cohen, Educational and Psychological Measurement 20:37-46, 1960; standard error by Fleiss, Cohen and Everitt,
Psychological Bulletin 72:323-327, 1969, for large samples.
"""

from __future__ import annotations

from math import sqrt

import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.estimate import Z95


class Kappa(msgspec.Struct, frozen=True, kw_only=True):
    """Agreement of two people on ``n`` things: the share ``observed`` and that ``expected`` by chance.

    ``value``: 1 where they always agree, 0 where no more than by chance, with its 95 % interval; None where both gave
    the same answer each time, so that chance alone explains it all.
    """

    n: int
    observed: float
    expected: float
    value: float | None = None
    se: float | None = None

    @property
    def interval(self) -> tuple[float, float] | None:
        """95 %, within what kappa can be."""
        if self.value is None or self.se is None:
            return None
        return max(-1.0, self.value - Z95 * self.se), min(1.0, self.value + Z95 * self.se)


def cohens_kappa(counts: NDArray[np.int64]) -> Kappa:
    """Kappa of a table (k, k): how often the first said i and the second j. Raises ValueError for an empty one."""
    n = int(counts.sum())
    if n == 0:
        raise ValueError("no agreement without anything to agree on")
    p = counts / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(rows @ columns)
    if expected == 1.0:
        return Kappa(n=n, observed=observed, expected=expected)
    value = (observed - expected) / (1.0 - expected)
    on = float(np.diag(p) @ (1.0 - (rows + columns) * (1.0 - value)) ** 2)
    # What the first says in the second's column: rows and columns change places.
    weight = (columns[:, None] + rows[None, :]) ** 2
    np.fill_diagonal(weight, 0.0)
    off = (1.0 - value) ** 2 * float((p * weight).sum())
    spread = on + off - (value - expected * (1.0 - value)) ** 2
    return Kappa(n=n, observed=observed, expected=expected, value=value,
                 se=sqrt(max(0.0, spread) / n) / (1.0 - expected))
