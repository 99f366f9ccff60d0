"""Which volumes of the stocks give the amounts wanted.

Stocks bring several things at once, so the wanted amounts are equations ``amounts @ volumes = wanted`` with no
volume negative. The corners of what is possible are solutions in as few stocks as there are equations
(Dantzig, Linear Programming and Extensions, 1963, ch. 5): few enough here to try them all.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from shared.water import Vector

#: How exactly an equation must be satisfied, relative to the largest amount in it.
_EXACT = 1e-9


def recipes(amounts: Vector, wanted: Vector) -> Iterator[Vector]:
    """Volumes that give what is wanted, fewest stocks first, then in the stocks' order.

    ``amounts`` (things, stocks): what a unit volume of a stock brings; ``wanted`` (things,).
    """
    scale = np.maximum(np.abs(amounts).max(axis=1, initial=0.0), 1e-12)
    a, b = amounts / scale[:, None], wanted / scale
    stocks = amounts.shape[1]
    for size in range(1, min(max(1, len(b)), stocks) + 1):
        for chosen in combinations(range(stocks), size):
            part, *_ = np.linalg.lstsq(a[:, chosen], b, rcond=None)
            off = np.abs(a[:, chosen] @ part - b).max(initial=0.0)
            tiny = _EXACT * max(1.0, float(np.abs(b).max(initial=0.0)))
            if off <= tiny and part.min() >= -tiny:
                volumes = np.zeros(stocks)
                volumes[list(chosen)] = np.maximum(part, 0.0)
                yield volumes


def reach(amounts: Vector, wanted: Vector, *, of: Vector) -> tuple[float, float]:
    """The least and the most of another thing (``of``, by stock) that goes with the amounts wanted."""
    found = [float(of @ volumes) for volumes in recipes(amounts, wanted)]
    endless = np.any((of > 0) & (np.abs(amounts).max(axis=0, initial=0.0) == 0))
    return min(found), float("inf") if endless else max(found)
