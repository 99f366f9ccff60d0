"""Measured values with their intervals and the components of their uncertainty.

Random parts differ from strip to strip and shrink when replicates are joined; shared parts (the chart,
the card's profile, the light a set was taken under) stay. JCGM 100:2008, 5.1 and 5.2.
"""

from __future__ import annotations

from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

#: Two-sided 95 % of a normal distribution.
Z95 = 1.959963984540054

Status = Literal["measured", "below", "above", "no-result"]

#: Concentrations of natural waters are about log-normal. Beyond a value that few waters reach, the share of waters
#: falls about with its third power: half of them are within a quarter of it (common practice, no source).
_TAIL_POWER: Final = 3.0
#: Mean distance of a pH from the end of the range that it is beyond (common practice, no source).
_PH_BEYOND: Final = 0.3


class Part(msgspec.Struct, frozen=True, kw_only=True):
    """One named part of an error budget: a standard uncertainty in the value's unit."""

    name: str
    u: float
    shared: bool


class Correlation(msgspec.Struct, frozen=True, kw_only=True):
    """Correlation ``r`` between the errors of two values; ``shared``: its part that replicates have in common."""

    analytes: tuple[str, str]
    r: float
    shared: float = 0.0

    def __post_init__(self) -> None:
        first, second = self.analytes
        if first == second or not -1 <= self.r <= 1:
            raise ValueError(f"the correlation of {first} with {second} must be from -1 to 1; found {self.r:g}")


class Estimate(msgspec.Struct, frozen=True, kw_only=True):
    """A value with its 95 % interval, ``low <= value <= high``, all in ``unit``.

    ``below`` and ``above``: the value is the end of the range, the interval one-sided and closed by the
    physical limit. The interval is asymmetric where the chart is curved.
    """

    analyte: str
    value: float
    low: float
    high: float
    unit: str
    status: Status = "measured"
    budget: tuple[Part, ...] = ()

    def __post_init__(self) -> None:
        if not self.low <= self.value <= self.high:
            raise ValueError(f"{self.analyte}: interval [{self.low}, {self.high}] must contain {self.value}")

    @property
    def u_random(self) -> float:
        """Standard uncertainty of the parts that shrink with replicates, in ``unit``."""
        return float(np.sqrt(sum(p.u**2 for p in self.budget if not p.shared)))

    @property
    def u_shared(self) -> float:
        """Standard uncertainty of the parts common to every strip read this way, in ``unit``."""
        return float(np.sqrt(sum(p.u**2 for p in self.budget if p.shared)))

    def draw(self, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """``n`` draws from the two-piece normal whose 2.5 % tails start at ``low`` and ``high``.

        Shape ``(n,)``, in ``unit``. Each side carries half the probability, so the median is ``value``.
        For a one-sided estimate see ``beyond``.
        """
        return self.at(rng.standard_normal(n)) if self.two_sided else self.beyond(rng.random(n))

    @property
    def two_sided(self) -> bool:
        """Whether the value is bounded on both sides."""
        return self.status not in ("below", "above")

    def beyond(self, share: NDArray[np.float64]) -> NDArray[np.float64]:
        """The values of a one-sided estimate at probabilities ``share`` (n,), from 0 (its known end) to below 1.

        Below the range, a concentration is distributed uniformly down to zero. Above it, probability falls as in
        natural waters; so it does for a pH on either side. A concentration above zero may have any possible value.
        """
        if self.unit == "pH":
            away = -_PH_BEYOND * np.log1p(-share)
            values = self.high - away if self.status == "below" else self.low + away
        elif self.status == "below" or self.low <= 0:
            values = self.high - share * (self.high - self.low)
        else:
            values = self.low * (1 - share) ** (-1 / _TAIL_POWER)
        return np.clip(values, self.low, self.high)

    def at(self, z: NDArray[np.float64]) -> NDArray[np.float64]:
        """The values at standard normal deviates ``z`` (n,) of a two-sided estimate."""
        side = np.where(z < 0, self.value - self.low, self.high - self.value) / Z95
        return self.value + z * side


class Measurement(msgspec.Struct, frozen=True, kw_only=True):
    """The result for one analyte: a value with its 95 % interval and uncertainty budget, or the reason for none.

    ``note``: a remark on the value.
    """

    analyte: str
    status: Status
    value: float | None
    low: float | None
    high: float | None
    unit: str
    flags: tuple[str, ...] = ()
    budget: tuple[Part, ...] = ()
    reason: str = ""
    note: str = ""

    def estimate(self) -> Estimate | None:
        """Return the value with its interval, or None without a value."""
        if self.value is None or self.low is None or self.high is None:
            return None
        return Estimate(analyte=self.analyte, value=self.value, low=self.low, high=self.high,
                        unit=self.unit, status=self.status, budget=self.budget)
