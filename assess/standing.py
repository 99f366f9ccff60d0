"""How a water stands against all criteria: the worst grade of each severity, the gravest first.

Grades are never added or averaged, so no good result can hide a bad one.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum
from typing import NamedTuple

from assess.judgement import Judgement
from assess.limits import SEVERITIES, Severity


class Grade(IntEnum):
    """Verdicts, the undecided ones split by which side is likelier."""

    IN = 0
    LIKELY_IN = 1
    LIKELY_OUT = 2
    OUT = 3

    @property
    def words(self) -> str:
        """For a sentence: "scale is ..."."""
        return ("in", "undecided, likely in", "undecided, likely out", "out")[self]


class Standing(NamedTuple):
    """Worst grades, compared from left to right; smaller is better.

    A pH in the cup that is likelier out than in lowers a water, it does not fail it.
    """

    machine: Grade
    scale: Grade
    leaching: Grade
    cup: Grade
    cup_ph: Grade

    def of(self, severity: Severity) -> Grade:
        """The worst grade of a severity that counts."""
        return Grade(getattr(self, severity))

    @property
    def broken(self) -> tuple[Severity, ...]:
        """Severities with a criterion that is out."""
        return tuple(s for s in SEVERITIES[:4] if self.of(s) == Grade.OUT)


def grade(judgement: Judgement) -> Grade:
    """The grade of one criterion."""
    if judgement.verdict == "undecided":
        return Grade.LIKELY_IN if judgement.probability >= 0.5 else Grade.LIKELY_OUT
    return Grade.IN if judgement.verdict == "in" else Grade.OUT


def standing(judgements: Iterable[Judgement]) -> Standing:
    """The standing on what is known: a criterion nobody measured ranks nothing, it asks for a measurement."""
    found = dict.fromkeys(Standing._fields, Grade.IN)
    for judgement in judgements:
        if judgement.severity == "information" or judgement.not_measured:
            continue
        if _is_cup_ph(judgement):
            found["cup_ph"] = grade(judgement) if judgement.probability < 0.5 else Grade.IN
        else:
            found[judgement.severity] = max(found[judgement.severity], grade(judgement))
    return Standing(**found)


def _is_cup_ph(judgement: Judgement) -> bool:
    return judgement.severity == "cup" and judgement.limit.measure == "ph"
