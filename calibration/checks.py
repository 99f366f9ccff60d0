"""Check standards, not used in the fit of the chart that reads them: recovery, zeta score and verdict.

Recovery and its uncertainty: JCGM 100:2008, 5.1. Zeta score and its limits: ISO 13528:2022, 9.4 and 9.6.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Literal

from shared.estimate import Z95, Estimate

Verdict = Literal["pass", "warning", "fail"]

#: The part of a reading's budget that the strip type states for its own chemistry.
CHEMISTRY = "strip chemistry"


@dataclass(frozen=True, slots=True)
class CheckRule:
    """Acceptance limits of a check, which the laboratory sets. Default: |zeta| above 2 is a warning, above 3 a failure.

    A deviation beyond both ``relative`` of the known value and ``of_range`` of the chart's range fails too,
    however wide its interval.
    """

    warn_zeta: float = 2.0
    fail_zeta: float = 3.0
    relative: float = 0.20
    of_range: float = 0.10


DEFAULT_RULE = CheckRule()


@dataclass(frozen=True, slots=True)
class Pair:
    """A value measured on the chart, and the known value, ``known``, with its standard uncertainty.

    ``light``: as the standards table names it; empty where it is not known.
    """

    sample: str
    known: float
    u_known: float
    read: Estimate
    photo: str = ""
    light: str = ""

    def __post_init__(self) -> None:
        if not self.u_deviation > 0.0:
            raise ValueError(f"{self.sample}: neither the measured nor the known value has an uncertainty")

    @property
    def u_read(self) -> float:
        """Standard uncertainty of the value read, from its interval on the side where the known value lies."""
        upwards = self.known > self.read.value
        return (self.read.high - self.read.value if upwards else self.read.value - self.read.low) / Z95

    @property
    def u_chemistry(self) -> float:
        """The part of `u_read` that is the intrinsic uncertainty stated in the strip type."""
        return min(self.u_read, sum(p.u for p in self.read.budget if p.name == CHEMISTRY))

    @property
    def deviation(self) -> float:
        """Read less known, in the analyte's unit."""
        return self.read.value - self.known

    @property
    def u_deviation(self) -> float:
        """Standard uncertainty of the deviation."""
        return sqrt(self.u_read**2 + self.u_known**2)

    @property
    def zeta(self) -> float:
        """Deviation in its standard uncertainties."""
        return self.deviation / self.u_deviation


@dataclass(frozen=True, slots=True)
class Check:
    """The verdict on one check standard. ``recovery`` with its uncertainty; None where nothing is certified."""

    pair: Pair
    recovery: tuple[float, float] | None
    zeta: float
    allowed: float
    verdict: Verdict


def check(pair: Pair, *, span: float, rule: CheckRule = DEFAULT_RULE) -> Check:
    """Judge one check standard; ``span`` is the width of the chart's range in the analyte's unit."""
    allowed = max(rule.relative * pair.known, rule.of_range * span)
    beyond = abs(pair.deviation) > allowed or abs(pair.zeta) > rule.fail_zeta
    verdict: Verdict = "fail" if beyond else "warning" if abs(pair.zeta) > rule.warn_zeta else "pass"
    return Check(pair, recovery=_recovery(pair), zeta=pair.zeta, allowed=allowed, verdict=verdict)


def _recovery(pair: Pair) -> tuple[float, float] | None:
    if pair.known <= 0 or pair.read.unit == "pH":
        return None
    ratio = pair.read.value / pair.known
    return ratio, sqrt(pair.u_read**2 + (ratio * pair.u_known) ** 2) / pair.known
