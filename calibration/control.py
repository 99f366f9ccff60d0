"""Control charts of check standards: limits from a baseline of runs, and rules applied to the later results.

Shewhart limits of single results, ISO 7870-2:2013. The limits come from the first runs and stay: taking
later, failing results into them would widen the limits until nothing fails. Each strip batch has a control chart of its
own: its calibration chart has its own error, so a change of batch would violate rules without a fault. What a change of
batch leaves is the spread: where earlier batches determine it, a new batch needs runs for its mean alone, as clinical
laboratories do it with a new lot of a reagent (CLSI C24, from memory: ten runs, the former standard deviation).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.westgard import RULES, RuleViolation, ewma, fired
from shared.tables import read_table

Array = NDArray[np.float64]
State = Literal["baseline only", "in control", "warning", "out of control"]

#: Runs that a baseline needs: fewer give limits too uncertain to act on. Of a batch whose standard has a standard
#: deviation from this number of runs of earlier batches: runs that its mean needs.
BASELINE_RUNS, MEAN_RUNS = 20, 10


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One result of a check standard in the analyte's own unit; ``left_out``: the reason for its exclusion.

    ``batch`` of the strip, empty if all results are of one.
    """

    run: str
    standard: str
    phone: str
    value: float
    left_out: str
    batch: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """Mean of a standard's results over the ``runs`` of its baseline, and their standard deviation.

    ``earlier``: runs of earlier batches from which the standard deviation comes; 0: it comes from the baseline.
    """

    mean: float
    s: float
    runs: int
    earlier: int = 0


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviation ``s`` of a standard's results within batches, pooled over ``runs`` of their baselines."""

    s: float
    runs: int


@dataclass(frozen=True, slots=True)
class ControlledResult:
    """One result on the chart: distance from the mean in standard deviations, weighted average and its limit."""

    result: CheckResult
    z: float
    average: float
    average_limit: float
    baseline: bool


@dataclass(frozen=True, slots=True)
class ControlChart:
    """One analyte's chart for a strip batch. ``limits`` by standard; ``points`` in the order of time.

    ``fired``: places in ``points``. ``waiting``: standards without limits, and why.
    """

    analyte: str
    limits: dict[str, Limits]
    points: tuple[ControlledResult, ...]
    fired: tuple[RuleViolation, ...]
    waiting: dict[str, str]
    left_out: tuple[CheckResult, ...]
    batch: str = ""

    @property
    def completed(self) -> dict[int, tuple[str, ...]]:
        """By place: the rules that a result completes, each once, in the order of `RULES`."""
        at: dict[int, set[str]] = defaultdict(set)
        for f in self.fired:
            at[f.at[-1]].add(f.rule)
        return {i: tuple(r for r in RULES if r in rules) for i, rules in sorted(at.items())}

    @property
    def state(self) -> State:
        """State of control by the rules, for the results after the baseline."""
        if all(p.baseline for p in self.points):
            return "baseline only"
        kinds = {RULES[r].kind for i, rules in self.completed.items() if not self.points[i].baseline for r in rules}
        return "out of control" if kinds - {"warning"} else "warning" if kinds else "in control"


def read_checks(path: Path) -> dict[str, list[CheckResult]]:
    """Results by analyte, in the file's order, which is that of time.

    Columns: ``run``, ``standard``, one a measured analyte with its unit, and if wanted ``batch`` of the strips,
    ``phone`` and ``left_out`` (why a row does not count; it is shown all the same).
    """
    table = read_table(path, required=("run", "standard"), optional=("batch", "phone", "left_out"))
    results: dict[str, list[CheckResult]] = defaultdict(list)
    for row, (_, cells) in enumerate(table.rows):
        for analyte in table.units:
            value = table.value(row, analyte)
            if value is not None:
                results[analyte].append(CheckResult(
                    run=cells["run"], standard=cells["standard"], phone=cells.get("phone", ""), value=value,
                    left_out=cells.get("left_out", ""), batch=cells.get("batch", "")))
    return dict(results)


def of_phone(results: Sequence[CheckResult], phone: str) -> list[CheckResult]:
    """The other phones' baseline and then all of this phone's results: a new phone against known limits."""
    others = [r for r in results if r.phone != phone]
    lanes = {(r.batch, r.standard) for r in others}
    runs = {lane: _first_runs([r for r in others if r.batch == lane[0]], lane[1]) for lane in lanes}
    return [r for r in others if r.run in runs[r.batch, r.standard]] + [r for r in results if r.phone == phone]


def control_charts(results: Mapping[str, Sequence[CheckResult]], batch: str | None = None) -> list[ControlChart]:
    """The charts of results by analyte: batch by batch, the one that was started last first; ``batch``: its own alone.

    Results of earlier batches are needed as well: their spread serves the later ones.
    """
    batches = list(dict.fromkeys(r.batch for of in results.values() for r in of))
    charts = []
    for n, name in reversed(list(enumerate(batches))):
        for analyte, of in results.items() if batch in (None, name) else ():
            own = [r for r in of if r.batch == name]
            if own:
                known = spreads([r for r in of if r.batch in batches[:n]])
                charts.append(control_chart(analyte, own, known))
    return charts


def spreads(results: Sequence[CheckResult]) -> dict[str, Spread]:
    """The spread of each standard within batches, where their baselines have enough runs together."""
    deviations, runs, lost = defaultdict[str, list[float]](list), defaultdict[str, int](int), defaultdict[str, int](int)
    counted = [r for r in results if not r.left_out]
    for batch, standard in dict.fromkeys((r.batch, r.standard) for r in counted):
        own = [r for r in counted if r.batch == batch]
        first = _first_runs(own, standard)
        values = [r.value for r in own if r.standard == standard and r.run in first]
        deviations[standard] += (np.array(values) - np.mean(values)).tolist()
        runs[standard] += len(first)
        lost[standard] += 1
    return {s: Spread(float(np.sqrt(np.square(d).sum() / (len(d) - lost[s]))), runs[s])
            for s, d in deviations.items() if runs[s] >= BASELINE_RUNS and len(d) > lost[s]}


def control_chart(analyte: str, results: Sequence[CheckResult], known: Mapping[str, Spread] | None = None
                  ) -> ControlChart:
    """The chart of one analyte's results of one batch, limits from the first runs of each standard.

    ``known``: the spread of standards in earlier batches.
    """
    counted, before = [r for r in results if not r.left_out], known or {}
    runs = {s: _first_runs(counted, s, MEAN_RUNS if s in before else BASELINE_RUNS)
            for s in dict.fromkeys(r.standard for r in counted)}
    by_standard = {s: _limits([r.value for r in counted if r.standard == s and r.run in first], len(first),
                              before.get(s)) for s, first in runs.items()}
    limits = {s: limit for s, limit in by_standard.items() if isinstance(limit, Limits)}
    placed = [r for r in counted if r.standard in limits]
    standards = [r.standard for r in placed]
    z = np.array([(r.value - limits[r.standard].mean) / limits[r.standard].s for r in placed])
    averages = _averages(z, standards)
    return ControlChart(
        analyte=analyte, limits=limits,
        points=tuple(ControlledResult(r, z=row[0], average=row[1], average_limit=row[2],
                                      baseline=r.run in runs[r.standard])
                     for r, row in zip(placed, np.column_stack([z, *averages]).tolist(), strict=True)),
        fired=fired(z, runs=[r.run for r in placed], standards=standards),
        waiting={s: why for s, why in by_standard.items() if isinstance(why, str)},
        left_out=tuple(r for r in results if r.left_out), batch=next((r.batch for r in results), ""))


def _first_runs(results: Sequence[CheckResult], standard: str, most: int = BASELINE_RUNS) -> frozenset[str]:
    """The runs of a standard's baseline."""
    return frozenset(list(dict.fromkeys(r.run for r in results if r.standard == standard))[:most])


def _limits(values: Sequence[float], runs: int, known: Spread | None) -> Limits | str:
    """Limits from a baseline's values, or why there are none; ``known``: the standard's spread in earlier batches."""
    needed = MEAN_RUNS if known else BASELINE_RUNS
    if runs < needed:
        return f"{runs} of {needed} required runs"
    spread = known or Spread(float(np.std(values, ddof=1)), 0)
    if spread.s == 0 or (not known and max(values) == min(values)):
        return "every result of its baseline is the same: no spread to set limits by"
    return Limits(mean=float(np.mean(values)), s=spread.s, runs=runs, earlier=spread.runs)


def _averages(z: Array, standards: Sequence[str]) -> tuple[Array, Array]:
    """Weighted averages and their limits (n,), for each standard separately."""
    averages, limits = np.zeros_like(z), np.zeros_like(z)
    for name in dict.fromkeys(standards):
        lane = [i for i, s in enumerate(standards) if s == name]
        averages[lane], limits[lane] = ewma(z[lane])
    return averages, limits
