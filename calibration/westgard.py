"""The rules of a control chart: Westgard's multirules and the EWMA.

Rules as in table 1 of Westgard, Barry, Hunt, Groth, Clin. Chem. 27:493-501, 1981 (as restated in
PMC3909142). Sources differ on R-4s: here one result above +2s and another below -2s in the same run, not a
range beyond 4s. EWMA: Lucas and Saccucci, Technometrics 32:1-12, 1990; ISO 7870-6:2016.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Kind = Literal["warning", "random", "systematic"]

#: Weight of the newest result, and width of the limits in standard deviations of the average.
EWMA_WEIGHT, EWMA_LIMIT = 0.2, 3.0


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule: the violation in words, and its usual cause."""

    id: str
    kind: Kind
    says: str
    usually: str


RULES: dict[str, Rule] = {r.id: r for r in (
    Rule("1-2s", "warning", "one result beyond 2 s", "due to chance (1 result in 22); check the other rules"),
    Rule("1-3s", "random", "one result beyond 3 s",
         "a mistake: wrong solution, a strip taken out early, a shadow on the card; or a sudden large shift"),
    Rule("2-2s", "systematic", "two in a row beyond the same 2 s",
         "a shift: a new solution, card or lamp; aged strips"),
    Rule("R-4s", "random", "one above +2 s and one below -2 s in the same run",
         "scatter: uneven dipping or timing, mixed light, damp strips"),
    Rule("4-1s", "systematic", "four in a row beyond the same 1 s",
         "a small shift: a fading card, an unstable solution"),
    Rule("10-x", "systematic", "ten in a row on one side of the mean",
         "a small lasting shift: the chart no longer fits these strips or this camera"),
    Rule("EWMA", "systematic", "the weighted average beyond its limits",
         "a slow drift: ageing strips, fading card, a solution that absorbs carbon dioxide"),
)}

#: Rules of results in a row: how many, and beyond how many standard deviations on the same side.
_IN_A_ROW = {"2-2s": (2, 2.0), "4-1s": (4, 1.0), "10-x": (10, 0.0)}


@dataclass(frozen=True, slots=True)
class RuleViolation:
    """A violated rule and the places of the results that violate it, the last one completing it."""

    rule: str
    at: tuple[int, ...]


def ewma(z: Array, *, weight: float = EWMA_WEIGHT, limit: float = EWMA_LIMIT) -> tuple[Array, Array]:
    """Weighted averages (n,) of ``z`` (n,) starting from 0, and the limits (n,) either side of 0."""
    average, averages = 0.0, []
    for value in z:
        average += weight * (float(value) - average)
        averages.append(average)
    steps = np.arange(1, len(z) + 1)
    spread = weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * steps))
    return np.array(averages), limit * np.sqrt(spread)


def fired(z: Array, *, runs: Sequence[str], standards: Sequence[str]) -> tuple[RuleViolation, ...]:
    """Every rule that fires on results ``z`` (n,) in order of time, each with its run and its standard.

    Rules of results in a row look along each standard by itself and across all of them.
    """
    violations = [RuleViolation(rule, (int(i),)) for rule, limit in (("1-2s", 2.0), ("1-3s", 3.0))
                  for i in np.flatnonzero(np.abs(z) > limit)]
    violations += [RuleViolation("R-4s", (min(pair), max(pair))) for pair in _opposed(z, runs)]
    lanes = [np.arange(len(z))]
    lanes += [np.array([i for i, s in enumerate(standards) if s == name]) for name in dict.fromkeys(standards)]
    for lane in lanes:
        for rule, (count, limit) in _IN_A_ROW.items():
            violations += [RuleViolation(rule, tuple(lane[end - count + 1 : end + 1].tolist()))
                           for end in _streaks(z[lane], count, limit=limit)]
    for lane in lanes[1:]:
        averages, limits = ewma(z[lane])
        violations += [RuleViolation("EWMA", (int(lane[i]),)) for i in np.flatnonzero(np.abs(averages) > limits)]
    order = list(RULES)
    return tuple(sorted(set(violations), key=lambda f: (f.at[-1], order.index(f.rule), f.at)))


def _streaks(z: Array, count: int, *, limit: float) -> list[int]:
    """Places at which ``count`` results in a row lie beyond the same limit."""
    ends = []
    for side in (z > limit, z < -limit):
        lengths = np.zeros(len(z), dtype=int)
        for i, inside in enumerate(side):
            lengths[i] = (lengths[i - 1] if i else 0) + 1 if inside else 0
        ends += np.flatnonzero(lengths >= count).tolist()
    return ends


def _opposed(z: Array, runs: Sequence[str]) -> list[tuple[int, int]]:
    """The highest and the lowest result of every run that reaches beyond 2 s on both sides."""
    places_of: dict[str, list[int]] = defaultdict(list)
    for i, run in enumerate(runs):
        places_of[run].append(i)
    pairs = []
    for places in places_of.values():
        top, bottom = max(places, key=lambda i: z[i]), min(places, key=lambda i: z[i])
        if z[top] > 2.0 and z[bottom] < -2.0:
            pairs.append((top, bottom))
    return pairs
