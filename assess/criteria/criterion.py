"""One limit at one place in the machine, and the quantity it bounds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assess.decision import PermittedRange
from assess.draws import Feed
from assess.equipment import Boiler
from assess.limits import Limit
from assess.measures import MEASURES, Measure
from shared.water import Vector

OfFeed = Callable[[Feed], Vector]
OfBoiler = Callable[[Feed, Boiler], Vector]


@dataclass(frozen=True, slots=True)
class Criterion:
    """``quantity`` gives the measure for each draw of a feed, shape (n,), in the limit's unit."""

    limit: Limit
    quantity: OfFeed
    boiler: Boiler | None = None
    by_maker: bool = False

    @property
    def id(self) -> str:
        """Measure and place, as "scale at steam boiler"; a manufacturer's limit is marked."""
        whose = "maker's " if self.by_maker else ""
        place = "" if self.boiler is None else f" at {self.boiler.name}"
        return f"{whose}{self.limit.measure}{place}"

    @property
    def name(self) -> str:
        """The measure in words."""
        return f"{self.measure.name} (manufacturer's limit)" if self.by_maker else self.measure.name

    @property
    def measure(self) -> Measure:
        """The measure that is limited."""
        return MEASURES[self.limit.measure]

    @property
    def bounds(self) -> PermittedRange:
        """The permitted values."""
        return PermittedRange(self.limit.at_least, self.limit.at_most)

    def conforms(self, feed: Feed, value: Vector) -> NDArray[np.bool_]:
        """Return the draws that conform: within the bounds, or with enough alkalinity for the bound not to apply."""
        inside = self.bounds.permits(value)
        if self.limit.unless_alkalinity is None:
            return inside
        return inside | (feed.water.alkalinity_caco3 >= self.limit.unless_alkalinity)
