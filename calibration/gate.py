"""The release gate: what check standards must show before a chart is released.

Zeta scores: ISO 13528:2022, 9.7. Of readings whose uncertainties are right, about 5 % have |zeta| > 2; more of them
than the 99 % point of the binomial distribution allows indicate that the chart's uncertainties are too small.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import hypot
from typing import Literal

import msgspec

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.statistics.distributions import binomial_quantile
from shared.estimate import Z95

#: Expiry date of the strips; levels and lights of the check standards; their zeta scores.
Requirement = Literal["expiry", "levels", "zeta"]
#: Check standards at different levels for each analyte, and lights under which each is photographed.
LEVELS, LIGHTS = 3, 2
#: A zeta score beyond the first is counted; one beyond the second fails the gate by itself.
COUNTED_ZETA, LARGEST_ZETA = 2.0, 3.5
#: Probability of a counted zeta score, and the point of the binomial distribution that their number may reach.
P_COUNTED, POINT = 0.05, 0.99


class GateCheck(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One value of a check standard, measured on the chart; ``known`` with its standard uncertainty ``u``."""

    standard: str
    analyte: str
    light: str
    known: float
    u: float
    zeta: float
    photo: str = ""


class Evidence(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a release rests on: check standards, and the last day printed on the strips' tubes."""

    checks: tuple[GateCheck, ...] = ()
    expires: date | None = None


def gate_checks(pairs: Iterable[Pair]) -> tuple[GateCheck, ...]:
    """Values of check standards read on a chart, in the form that a release stores."""
    return tuple(GateCheck(standard=p.sample, analyte=p.read.analyte, light=p.light, known=p.known, u=p.u_known,
                           zeta=p.zeta, photo=p.photo) for p in pairs)


@dataclass(frozen=True, slots=True)
class GateItem:
    """A requirement of the gate with what is missing, a sentence each; empty: it is met."""

    requirement: Requirement
    lacks: tuple[str, ...]


def missing(chart: Chart, evidence: Evidence, until: date) -> tuple[str, ...]:
    """What a release of the chart until this day lacks, a sentence each; empty: the gate is passed."""
    return tuple(lack for item in gate_items(chart, evidence, until) for lack in item.lacks)


def gate_items(chart: Chart, evidence: Evidence, until: date) -> tuple[GateItem, ...]:
    """The requirements for a release of the chart until this day, each with what is missing."""
    fitted = {_name(light) for light in chart.conditions.lights}
    levels, scores = defaultdict[str, list[str]](list), defaultdict[str, list[str]](list)
    for curve in chart.curves:
        checks = [c for c in evidence.checks if c.analyte == curve.analyte]
        for found, lacks in ((levels, _coverage(checks, fitted)), (scores, _scores(checks))):
            for lack in lacks:
                found[lack].append(curve.analyte)
    return (GateItem("expiry", tuple(_expiry(evidence.expires, until))), GateItem("levels", _sentences(levels)),
            GateItem("zeta", _sentences(scores)))


def _sentences(lacks: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """Return each lack once, after the analytes that it concerns."""
    return tuple(f"{', '.join(analytes)}: {lack}" for lack, analytes in lacks.items())


def _expiry(expires: date | None, until: date) -> Iterator[str]:
    if expires is None:
        yield "the expiry date of the strip batch is not known"
    elif until > expires:
        yield f"the release would end on {until}, after the strips' expiry date {expires}"


def _coverage(checks: Sequence[GateCheck], fitted: set[str]) -> Iterator[str]:
    """Too few levels whose check standard was photographed under enough lights, one of them new to the chart."""
    seen = defaultdict[str, set[str]](set)
    for check in checks:
        seen[check.standard] |= {_name(check.light)} - {""}
    enough = {s for s, lights in seen.items() if len(lights) >= LIGHTS and lights - fitted}
    found = _levels([c for c in checks if c.standard in enough])
    if found < LEVELS:
        short = ", ".join(f"{s} ({', '.join(sorted(lights)) or 'light not named'})"
                          for s, lights in sorted(seen.items()) if s not in enough)
        yield (f"check standards at {found} of {LEVELS} different levels are photographed under at least {LIGHTS} "
               f"lights, one of them not used in the fit{f'; not so: {short}' if short else ''}")


def _levels(checks: Iterable[GateCheck]) -> int:
    """Known values that differ by more than their expanded uncertainty."""
    count, last = 0, None
    for check in sorted(checks, key=lambda c: c.known):
        if last is None or check.known - last.known > Z95 * hypot(check.u, last.u):
            count, last = count + 1, check
    return count


def _scores(checks: Sequence[GateCheck]) -> Iterator[str]:
    """Too many zeta scores beyond the counted limit, and each beyond the largest."""
    beyond = sum(abs(c.zeta) > COUNTED_ZETA for c in checks)
    allowed = binomial_quantile(POINT, len(checks), P_COUNTED)
    if beyond > allowed:
        yield f"{beyond} of {len(checks)} zeta scores exceed {COUNTED_ZETA:g}; at most {allowed} may"
    yield from (f"{c.standard}{f' ({c.photo})' if c.photo else ''} has zeta {c.zeta:+.1f}; none may exceed "
                f"{LARGEST_ZETA:g}" for c in checks if abs(c.zeta) > LARGEST_ZETA)


def _name(light: str) -> str:
    return light.strip().casefold()
