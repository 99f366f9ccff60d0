"""Does a quantity conform? Probability first, then a verdict by a stated rule.

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

Verdict = Literal["in", "undecided", "out"]
#: From the best to the worst.
VERDICTS: Final[tuple[Verdict, ...]] = ("in", "undecided", "out")
#: What people read for each verdict.
VERDICT_NAMES: Final[dict[Verdict, str]] = {"in": "within limits", "undecided": "inconclusive", "out": "out of limits"}
_NORMAL: Final = NormalDist()


@dataclass(frozen=True, slots=True)
class PermittedRange:
    """Permitted values, either end open (None)."""

    at_least: float | None = None
    at_most: float | None = None

    def holds(self, value: Vector) -> NDArray[np.bool_]:
        """Which values are permitted; the bounds themselves are."""
        low = -np.inf if self.at_least is None else self.at_least
        high = np.inf if self.at_most is None else self.at_most
        return np.asarray((value >= low) & (value <= high))

    def normal_probability(self, value: float, u: float) -> float:
        """Conformance probability of a normal estimate with standard uncertainty ``u`` (JCGM 106, 7.2, 7.4)."""
        if u <= 0:
            return float(self.holds(np.asarray(value)))
        below = 1.0 if self.at_most is None else _NORMAL.cdf((self.at_most - value) / u)
        return below - (0.0 if self.at_least is None else _NORMAL.cdf((self.at_least - value) / u))


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """``in`` with at least ``confidence`` that the limit holds, ``out`` with as much that it does not.

    So either verdict is wrong with a probability of at most 1 - ``confidence``; between them it is
    undecided. 0.5 is simple acceptance (JCGM 106, 8.2): no value stays undecided.
    """

    confidence: float = 0.95

    def __post_init__(self) -> None:
        if not 0.5 <= self.confidence < 1:
            raise InputError("a decision rule needs a probability it can reach", where="confidence",
                             found=f"{self.confidence:g}", allowed="0.5 or more and below 1")

    @classmethod
    def guarded(cls, share_of_u95: float) -> DecisionRule:
        """The rule of a guard band w = ``share_of_u95`` U, U the expanded uncertainty for 95 % (JCGM 106, 8.3).

        1 gives 97.5 % for one limit; 0.84 about 95 %; 0 is simple acceptance.
        """
        return cls(_NORMAL.cdf(share_of_u95 * _NORMAL.inv_cdf(0.975)))

    @property
    def guard_band(self) -> float:
        """Width of the guard band in standard uncertainties of a normal estimate."""
        return _NORMAL.inv_cdf(self.confidence)

    def verdict(self, probability: float) -> Verdict:
        """The verdict on a limit that holds with ``probability``."""
        if probability >= self.confidence:
            return "in"
        return "out" if probability <= 1 - self.confidence else "undecided"

    @property
    def words(self) -> str:
        """The rule in one sentence, as a report must state it (ISO/IEC 17025:2017, 7.8.6)."""
        if self.confidence == 0.5:
            return ("Simple acceptance: in or out by which is likelier (JCGM 106:2012, 8.2). Either is wrong with "
                    "up to 50 % probability.")
        share, risk = f"{100 * self.confidence:g} %", f"{100 * (1 - self.confidence):.3g} %"
        return (f"In: the limit holds with at least {share} probability. Out: it is broken with at least {share}. "
                f"Otherwise undecided (JCGM 106:2012; guard band {self.guard_band:.2f} standard uncertainties). "
                f"So false acceptance has a probability of at most {risk}, and false rejection too.")
