"""Conformity of a quantity: its probability, then a verdict by a stated decision rule.

JCGM 106:2012, "The role of measurement uncertainty in conformity assessment": the conformance probability
(clause 7) and decision rules with a bound on the specific risk (clauses 8 and 9).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from shared.errors import InputError
from shared.water import Vector

Verdict = Literal["within-limits", "inconclusive", "out-of-limits"]
#: From the best to the worst.
VERDICTS: Final[tuple[Verdict, ...]] = ("within-limits", "inconclusive", "out-of-limits")
#: What people read for each verdict.
VERDICT_NAMES: Final[dict[Verdict, str]] = {v: v.replace("-", " ") for v in VERDICTS}
_NORMAL: Final = NormalDist()


@dataclass(frozen=True, slots=True)
class PermittedRange:
    """Permitted values, either end open (None)."""

    at_least: float | None = None
    at_most: float | None = None

    def permits(self, value: Vector) -> NDArray[np.bool_]:
        """Return which values are permitted; the bounds are permitted."""
        low = -np.inf if self.at_least is None else self.at_least
        high = np.inf if self.at_most is None else self.at_most
        return np.asarray((value >= low) & (value <= high))

    def normal_probability(self, value: float, u: float) -> float:
        """Return the conformance probability of a normal estimate with standard uncertainty ``u`` (JCGM 106, 7)."""
        if u <= 0:
            return float(self.permits(np.asarray(value)))
        below = 1.0 if self.at_most is None else _NORMAL.cdf((self.at_most - value) / u)
        return below - (0.0 if self.at_least is None else _NORMAL.cdf((self.at_least - value) / u))


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """``in``: probability of conformity at least ``confidence``; ``out``: at most 1 - ``confidence``.

    Either verdict is therefore wrong with a probability of at most 1 - ``confidence``; between the two it is
    ``inconclusive``. 0.5 is simple acceptance (JCGM 106, 8.2), with which no verdict is inconclusive.
    """

    confidence: float = 0.95

    def __post_init__(self) -> None:
        if not 0.5 <= self.confidence < 1:
            raise InputError("is not a valid confidence", where="confidence",
                             found=f"{self.confidence:g}", allowed="0.5 or more and below 1")

    @classmethod
    def guarded(cls, share_of_u95: float) -> DecisionRule:
        """Return the rule of a guard band w = ``share_of_u95`` U, U the expanded uncertainty for 95 % (JCGM 106, 8.3).

        1 gives 97.5 % for one limit; 0.84 about 95 %; 0 is simple acceptance.
        """
        return cls(_NORMAL.cdf(share_of_u95 * _NORMAL.inv_cdf(0.975)))

    @property
    def guard_band(self) -> float:
        """Width of the guard band in standard uncertainties of a normal estimate."""
        return _NORMAL.inv_cdf(self.confidence)

    def verdict(self, probability: float) -> Verdict:
        """Return the verdict for a ``probability`` of conformity."""
        if probability >= self.confidence:
            return "within-limits"
        return "out-of-limits" if probability <= 1 - self.confidence else "inconclusive"

    @property
    def statement(self) -> str:
        """The rule in words, as a report must state it (ISO/IEC 17025:2017, 7.8.6)."""
        if self.confidence == 0.5:
            return ("Simple acceptance: within or out of limits, whichever is more probable (JCGM 106:2012, 8.2). "
                    "Either verdict is wrong with a probability of up to 50 %.")
        share, risk = f"{100 * self.confidence:g} %", f"{100 * (1 - self.confidence):.3g} %"
        return (f"Within limits: probability of conformity at least {share}. Out of limits: at most {risk}. Otherwise "
                f"inconclusive (JCGM 106:2012; guard band {self.guard_band:.2f} standard uncertainties). The "
                f"probability of a false acceptance is at most {risk}, and so is that of a false rejection.")
