"""Releases of charts: who released one, why, on which check standards and until when, or who withdrew it.

A release is a person's statement, stored with the chart and naming the hash of its content. It is not signed and does
not prove who wrote it (ISO/IEC 17025:2017, 7.5 and 7.11, for what it contains). The release gate is what check
standards must show before. Zeta scores: ISO 13528:2022, 9.6. Of readings whose uncertainties are right, about 5 % have
|zeta| > 2; more of them than the 99 % point of the binomial distribution allows indicate that the chart's
uncertainties are too small.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import hypot
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.statistics.distributions import binomial_quantile
from shared.errors import FileError, MismatchError
from shared.estimate import Z95
from shared.files import read_json

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
    """Evidence for a release: check standards, and the expiry date of the strips."""

    checks: tuple[GateCheck, ...] = ()
    expires: date | None = None


def gate_checks(pairs: Iterable[Pair]) -> tuple[GateCheck, ...]:
    """Values of check standards read on a chart, in the form that a release stores."""
    return tuple(GateCheck(standard=p.sample, analyte=p.read.analyte, light=p.light, known=p.known, u=p.u_known,
                           zeta=p.zeta, photo=p.photo) for p in pairs)


@dataclass(frozen=True, slots=True)
class GateItem:
    """A requirement of the gate, with a sentence for each missing item; empty: it is met."""

    requirement: Requirement
    lacks: tuple[str, ...]


def missing(chart: Chart, evidence: Evidence, until: date) -> tuple[str, ...]:
    """The missing items of a release until this day, one sentence each; empty: the gate is met."""
    return tuple(lack for item in gate_items(chart, evidence, until) for lack in item.lacks)


def gate_items(chart: Chart, evidence: Evidence, until: date) -> tuple[GateItem, ...]:
    """The requirements for a release of the chart until this day, each with what is missing."""
    fitted = {_name(light) for light in chart.conditions.lights}
    levels, scores = defaultdict[str, list[str]](list), defaultdict[str, list[str]](list)
    for curve in chart.curves:
        checks = [c for c in evidence.checks if c.analyte == curve.analyte]
        for gaps, lacks in ((levels, _coverage(checks, fitted)), (scores, _scores(checks))):
            for lack in lacks:
                gaps[lack].append(curve.analyte)
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
    levels = _levels([c for c in checks if c.standard in enough])
    if levels < LEVELS:
        short = ", ".join(f"{s} ({', '.join(sorted(lights)) or 'light not named'})"
                          for s, lights in sorted(seen.items()) if s not in enough)
        yield (f"check standards at {levels} of {LEVELS} different levels are photographed under at least {LIGHTS} "
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


State = Literal["draft", "released", "withdrawn"]
Moment = Annotated[datetime, msgspec.Meta(tz=True)]
#: Release files of ``NAME.json`` are called ``NAME.release-...json``.
_INFIX = ".release-"


class Release(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One statement about the chart whose hash is ``chart``; of several, the latest ``when`` applies.

    ``valid_from`` and ``valid_until`` bound a release in time, both included; the other states need none.
    ``evidence``: what the release gate was given. ``despite``: why the chart is released though the gate failed.
    """

    format: Literal["chart-release/1"] = "chart-release/1"
    chart: str
    state: State
    by: str
    when: Moment
    why: str
    valid_from: Moment | None = None
    valid_until: Moment | None = None
    evidence: Evidence = Evidence()
    despite: str = ""

    def __post_init__(self) -> None:
        for name, text in (("chart", self.chart), ("by", self.by), ("why", self.why)):
            if not text.strip():
                raise ValueError(f"{name} is empty; a release must state the chart, a person and a reason")
        if self.state == "released":
            if self.valid_until is None:
                raise ValueError("valid_until is required: strips have an expiry date")
            if self.valid_until < self.starts:
                raise ValueError(f"valid_until ({self.valid_until}) is before the first day ({self.starts})")

    @property
    def starts(self) -> datetime:
        """The moment from which it is valid."""
        return self.valid_from or self.when

    def shortcomings(self, chart: Chart) -> tuple[str, ...]:
        """The missing items of a release of this chart, one sentence each."""
        return () if self.valid_until is None else missing(chart, self.evidence, self.valid_until.date())


def check_gate(release: Release, chart: Chart) -> None:
    """Raise MismatchError, listing what is missing, for a release that fails the gate without an override."""
    lacks = () if release.despite else release.shortcomings(chart)
    if lacks:
        raise MismatchError("\n  - ".join((
            "the chart fails the release gate; check more standards, or override it with --despite REASON. Missing:",
            *lacks)), where=f"chart {chart.id[:12]} of batch {chart.batch}")


def gated(release: Release, chart: Chart) -> Release:
    """Return a release that passes the gate, or overrides it. Raises MismatchError (`check_gate`).

    A reason for an override that is not needed is removed.
    """
    check_gate(release, chart)
    return release if release.shortcomings(chart) else msgspec.structs.replace(release, despite="")


def state_of(chart_id: str, releases: Iterable[Release], *, now: datetime) -> tuple[str, ...]:
    """Flags (ids of shared.flags) that a reading made ``now`` with the chart must carry; none: it is released."""
    statements = [r for r in releases if r.chart == chart_id and r.when <= now]
    last = max(statements, key=lambda r: r.when, default=None)
    if last is None or last.state == "draft":
        return ("chart-draft",)
    if last.state == "withdrawn":
        return ("chart-withdrawn",)
    if now < last.starts:
        return ("chart-draft",)
    override = ("chart-override",) if last.despite else ()
    return (*(("chart-expired",) if last.valid_until is not None and now > last.valid_until else ()), *override)


def usable(state: tuple[str, ...]) -> bool:
    """Whether a chart of this state is released and valid, with or without an override of the gate."""
    return set(state) <= {"chart-override"}


def releases_beside(chart: Path) -> tuple[Release, ...]:
    """The release files in the folder of a chart's file, oldest first. FileError for one that cannot be used."""
    files = sorted(chart.parent.glob(f"{_escaped(chart.stem)}{_INFIX}*.json"))
    return tuple(sorted((read_json(f, Release) for f in files), key=lambda r: r.when))


def save_release(release: Release, chart: Path) -> Path:
    """Write a release into the folder of its chart's file without replacing another; return its path."""
    stamp = release.when.astimezone(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    path = chart.parent / f"{chart.stem}{_INFIX}{stamp}.json"
    try:
        with path.open("xb") as file:
            file.write(msgspec.json.format(msgspec.json.encode(release), indent=1) + b"\n")
    except OSError as error:
        raise FileError("the release cannot be written", where=str(path),
                        found=error.strerror or str(error)) from error
    return path


def _escaped(stem: str) -> str:
    return "".join(f"[{c}]" if c in "[*?" else c for c in stem)
