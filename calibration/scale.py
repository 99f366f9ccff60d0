"""The scale along which a chart's curve is drawn: equal steps should be about equal steps of colour.

Indicators saturate: steps of colour shrink as concentration grows. Straight, logarithmic and
binding-shaped (c / (c + k)) scales are offered; leaving out whole levels chooses among them.
"""

from __future__ import annotations

from typing import Literal, get_args

import msgspec
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Form = Literal["straight", "logarithmic", "binding"]
FORMS: tuple[Form, ...] = get_args(Form)


#: No strip measures concentrations beyond this, in any unit.
LARGEST = 1e9


class Scale(msgspec.Struct, frozen=True, kw_only=True):
    """Maps values from ``low`` to ``high`` onto 0 to 1. ``knee`` (value's unit): where the bend lies."""

    form: Form
    low: float
    high: float
    knee: float = 0.0

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"low must be below high on a scale: low {self.low}, high {self.high}")
        if max(abs(self.low), abs(self.high), abs(self.knee)) > LARGEST or self.high - self.low < 1 / LARGEST:
            raise ValueError(f"the numbers of a scale must be from -{LARGEST:g} to {LARGEST:g}, "
                             f"low and high at least {1 / LARGEST:g} apart")
        if self.form != "straight" and self.knee <= 0:
            raise ValueError(f"a {self.form} scale needs a positive knee, found {self.knee}")

    def position(self, value: Array | float) -> Array:
        """Position of values along the scale, same shape; 0 at ``low``, 1 at ``high``."""
        c = np.asarray(value, dtype=np.float64) - self.low
        span = self.high - self.low
        if self.form == "straight":
            return c / span
        if self.form == "logarithmic":
            return np.asarray(np.log1p(c / self.knee) / np.log1p(span / self.knee))
        return c / (c + self.knee) * (span + self.knee) / span

    def value(self, position: Array | float) -> Array:
        """Values at positions along the scale: the inverse of `position`."""
        x = np.asarray(position, dtype=np.float64)
        span = self.high - self.low
        if self.form == "straight":
            return self.low + x * span
        if self.form == "logarithmic":
            return np.asarray(self.low + self.knee * np.expm1(x * np.log1p(span / self.knee)))
        y = x * span / (span + self.knee)
        return self.low + self.knee * y / (1 - y)


#: Knees tried, as shares of the range.
KNEES = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)


def candidates(low: float, high: float) -> tuple[Scale, ...]:
    """Every scale that is tried for a range."""
    bent: tuple[Form, Form] = ("logarithmic", "binding")
    return (
        Scale(form="straight", low=low, high=high),
        *(Scale(form=f, low=low, high=high, knee=k * (high - low)) for f in bent for k in KNEES),
    )
