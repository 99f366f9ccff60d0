"""Differences between a stored reading and its reanalysis, and their causes."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import zip_longest
from statistics import median
from typing import Any, Final, Literal

import msgspec

from assess.assessment import Assessment
from assess.decision import Verdict
from assess.limits import Severity
from shared.text import format_estimate
from stripread.intake.process import ReadResult
from stripread.reading.result import PadReading, Provenance, Reading
from stripread.review.reanalysis.job import OriginalReading


class AnalyteShift(msgspec.Struct, frozen=True, kw_only=True):
    """Shift of an analyte's values in units of their intervals, over the ``readings`` in which they changed."""

    analyte: str
    readings: int
    median: float
    largest: float


class ReanalysisSummary(msgspec.Struct, frozen=True, kw_only=True):
    """Numbers of readings by outcome, reason for skipping and cause; shifts of values; numbers of changed verdicts."""

    readings: int
    outcomes: dict[Outcome, int]
    passed_over: dict[str, int]
    superseded: int
    moved: tuple[AnalyteShift, ...]
    gained: int
    lost: int
    flips: dict[str, int]
    causes: dict[str, int]


class SummaryBuilder:
    """Accumulates comparisons into a summary."""

    def __init__(self) -> None:
        self._outcomes: Counter[Outcome] = Counter()
        self._counts: Counter[str] = Counter()
        self._shares: dict[str, list[float]] = defaultdict(list)
        self._flips: Counter[str] = Counter()
        self._causes: Counter[str] = Counter()
        self._passed: Counter[str] = Counter()

    def add(self, comparison: ReadingComparison) -> None:
        """Add a comparison."""
        self._outcomes[comparison.outcome] += 1
        self._counts["superseded"] += comparison.new is not None
        if comparison.outcome == "skipped":
            self._passed[comparison.why] += 1
        self._causes.update((*comparison.inputs, *comparison.versions))
        self._flips.update(f"{f.severity}: {f.was or 'not judged'} -> {f.now or 'not judged'}"
                           for f in comparison.flips)
        for shift in comparison.shifts:
            if shift.share is not None:
                self._shares[shift.analyte].append(shift.share)
            else:
                self._counts["gained" if shift.was == "no value" else "lost"] += 1

    def summary(self) -> ReanalysisSummary:
        """Return the summary of all comparisons added."""
        moved = tuple(AnalyteShift(analyte=analyte, readings=len(shares), median=median(shares), largest=max(shares))
                      for analyte, shares in self._shares.items())
        return ReanalysisSummary(readings=self._outcomes.total(), outcomes=dict(self._outcomes), moved=moved,
                       passed_over=dict(self._passed), superseded=self._counts["superseded"],
                       gained=self._counts["gained"], lost=self._counts["lost"], flips=dict(self._flips.most_common()),
                       causes=dict(self._causes.most_common()))


Outcome = Literal["same", "same-as-shown", "differs", "not-evaluated", "skipped"]
#: Field of the reading that is not compared: it describes how the reading was made.
_NOT_COMPARED: Final = "provenance"
#: Inputs with a hash in the provenance, and their names in messages.
_INPUTS: Final = {"chart": "chart", "profile": "profile", "pixels_sha256": "decoded pixels"}
#: Digits of a hash in messages.
_DIGITS: Final = 10


class ValueChange(msgspec.Struct, frozen=True, kw_only=True):
    """A pad's value as printed before and after; ``share``: the change divided by the wider interval.

    ``share`` None: one of them has no value.
    """

    analyte: str
    was: str
    now: str
    share: float | None


class VerdictChange(msgspec.Struct, frozen=True, kw_only=True):
    """A changed verdict; None: no verdict before or after."""

    severity: Severity
    was: Verdict | None
    now: Verdict | None


class ReadingComparison(msgspec.Struct, frozen=True, kw_only=True):
    """Comparison of a stored reading with its reanalysis.

    ``inputs`` and ``versions``: changed ones. ``numbers``: paths of all values that are not bit-identical. ``why``:
    reason for which it was not evaluated again. ``new``: id of the reading that supersedes it, if one was stored.
    """

    id: str
    photo: str
    outcome: Outcome
    inputs: tuple[str, ...] = ()
    versions: tuple[str, ...] = ()
    shifts: tuple[ValueChange, ...] = ()
    flags_gone: tuple[str, ...] = ()
    flags_new: tuple[str, ...] = ()
    flips: tuple[VerdictChange, ...] = ()
    numbers: tuple[str, ...] = ()
    why: str = ""
    new: str | None = None


def compare_readings(old: OriginalReading, done: ReadResult, *, passed: bool) -> ReadingComparison:
    """Return the comparison of a stored reading with its reanalysis; ``passed``: it was skipped."""
    was, now = old.reading.reading, done.reading
    if now is None:
        outcome: Outcome = "skipped" if passed else "not-evaluated"
        return ReadingComparison(id=old.reading.id, photo=was.photo, outcome=outcome, why=done.why)
    numbers = tuple(_differing(_without(was), _without(now), ""))
    shifts, flips = tuple(_shifts(was, now)), tuple(_flips(old, done.assessment))
    before, after = _flags(was), _flags(now)
    changed = any(s.was != s.now for s in shifts) or before != after or flips or was.reason != now.reason
    return ReadingComparison(
        id=old.reading.id, photo=was.photo, outcome="differs" if changed else "same-as-shown" if numbers else "same",
        inputs=tuple(_inputs(was.provenance, now.provenance)),
        versions=tuple(_versions(was.provenance, now.provenance)), shifts=shifts, flips=flips, numbers=numbers,
        flags_gone=tuple(sorted(before - after)), flags_new=tuple(sorted(after - before)))


def _without(reading: Reading) -> dict[str, Any]:
    plain: dict[str, Any] = msgspec.to_builtins(reading)
    return {name: value for name, value in plain.items() if name != _NOT_COMPARED}


def _differing(was: Any, now: Any, path: str) -> Iterator[str]:
    """Return the paths at which two JSON values differ."""
    if isinstance(was, dict) and isinstance(now, dict):
        for name in {**was, **now}:
            yield from _differing(was.get(name), now.get(name), f"{path}.{name}".lstrip("."))
    elif isinstance(was, list | tuple) and isinstance(now, list | tuple):
        for place, (a, b) in enumerate(zip_longest(was, now)):
            yield from _differing(a, b, f"{path}[{place}]")
    elif was != now:
        yield path


def _shifts(was: Reading, now: Reading) -> Iterator[ValueChange]:
    """Return the change of each pad whose value changed."""
    before, after = ({pad.analyte: pad for pad in reading.pads} for reading in (was, now))
    for analyte in {**before, **after}:
        a, b = before.get(analyte), after.get(analyte)
        share, moved = _share(a, b)
        if moved:
            yield ValueChange(analyte=analyte, was=_printed(a), now=_printed(b), share=share)


def _share(a: PadReading | None, b: PadReading | None) -> tuple[float | None, bool]:
    """Return the change divided by the wider interval, None without two values; and whether anything changed."""
    one, other = a and a.estimate(), b and b.estimate()
    if not one or not other:
        return None, one != other
    wider = max(one.high - one.low, other.high - other.low)
    moved = (one.value, one.low, one.high, one.status) != (other.value, other.low, other.high, other.status)
    return abs(one.value - other.value) / wider if wider > 0 else 0.0, moved


def _printed(pad: PadReading | None) -> str:
    estimate = pad and pad.estimate()
    return format_estimate(estimate) if estimate else "no value"


def _flags(reading: Reading) -> set[str]:
    return set(reading.flags).union(*(pad.flags for pad in reading.pads))


def _flips(old: OriginalReading, now: Assessment | None) -> Iterator[VerdictChange]:
    """Return the changed verdicts."""
    before = old.assessment.assessment.verdicts if old.assessment else {}
    after = now.verdicts if now else {}
    for severity in {**before, **after}:
        if before.get(severity) != after.get(severity):
            yield VerdictChange(severity=severity, was=before.get(severity), now=after.get(severity))


def _inputs(was: Provenance, now: Provenance) -> Iterator[str]:
    for field, words in _INPUTS.items():
        a, b = getattr(was, field), getattr(now, field)
        if a != b:
            yield f"{words} {a[:_DIGITS] or 'none'} -> {b[:_DIGITS] or 'none'}"


def _versions(was: Provenance, now: Provenance) -> Iterator[str]:
    if was.software != now.software:
        yield f"{was.software} -> {now.software}"
    for name in sorted({**was.libraries, **now.libraries}):
        a, b = was.libraries.get(name, "not recorded"), now.libraries.get(name, "none")
        if a != b:
            yield f"{name} {a} -> {b}"
