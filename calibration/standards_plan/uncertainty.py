"""Sources of uncertainty of a prepared value, and how they combine.

The law of propagation with numeric derivatives, JCGM 100:2008, 5.1.2 and 5.1.3 note 2; tolerances to standard
uncertainties by their shape, JCGM 100:2008, 4.3.7 and 4.3.9, as Eurachem/CITAC QUAM:2012, 8.1 applies them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import Final, Literal

import numpy as np

from shared.estimate import Part
from shared.water import Vector

Shape = Literal["normal", "rectangular", "triangular"]
#: Half-width (of a normal: standard uncertainty) over standard uncertainty.
_DIVISOR: Final[dict[Shape, float]] = {"normal": 1.0, "rectangular": sqrt(3), "triangular": sqrt(6)}


@dataclass(frozen=True, slots=True)
class Source:
    """An input quantity. ``spread``: half-width, of a normal the standard uncertainty; in the value's unit."""

    name: str
    value: float
    spread: float
    shape: Shape

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return self.spread / _DIVISOR[self.shape]


#: Gives every source a number, or all its numbers at once. The same source twice is the same quantity.
At = Callable[[Source], Vector]
#: A quantity computed from sources.
Model = Callable[[At], Vector]


@dataclass(frozen=True, slots=True)
class PreparedValue:
    """A value, its standard uncertainty and the parts of it, largest first, all in the value's unit."""

    value: float
    u: float
    parts: tuple[Part, ...]


def nominal(source: Source) -> Vector:
    """Every source at its value."""
    return np.asarray(source.value)


def propagate(model: Model) -> PreparedValue:
    """The model's value at the sources' values, and its uncertainty from the sources."""
    sources = _sources(model)
    slots = {source: i for i, source in enumerate(sources)}
    n = len(sources)

    def raised_and_lowered(source: Source) -> Vector:
        numbers = np.full(2 * n + 1, source.value, dtype=np.float64)
        numbers[slots[source]] += source.u
        numbers[n + slots[source]] -= source.u
        return numbers

    result = np.broadcast_to(model(raised_and_lowered), 2 * n + 1)
    shares = np.abs(result[:n] - result[n:2 * n]) / 2
    parts = [Part(name=s.name, u=float(u), shared=True) for s, u in zip(sources, shares, strict=True) if u > 0]
    parts.sort(key=lambda p: -p.u)
    return PreparedValue(float(result[-1]), float(np.sqrt(np.sum(shares**2))), tuple(parts))


def _sources(model: Model) -> list[Source]:
    """Every source the model asks for, once."""
    seen: dict[Source, None] = {}

    def listen(source: Source) -> Vector:
        seen[source] = None
        return nominal(source)

    model(listen)
    return list(seen)
