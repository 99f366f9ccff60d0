"""Strip batches as the analyst's pages show them: state of the chart, release gate, check standards, rules violated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, Literal, get_args

from calibration.chart import Chart
from calibration.checks import Check
from calibration.compare import Comparison, Difference, compare
from calibration.release import Evidence, Release, Requirement, gate_checks, gate_items, state_of
from shared.analytes import ANALYTES
from shared.errors import MismatchError
from shared.notation import Notation, significant
from stripread.report.figures.window import Tone
from stripread.store.chart_selection import preferred, previous_chart
from stripread.store.models.materials import Batch, StoredChart, StoredRelease, Tube
from stripread.store.reading_query import ReadingFilter, count_by_batch
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store

ChartState = Literal["draft", "released", "override", "expired", "withdrawn", "none"]
STATES: Final[tuple[ChartState, ...]] = get_args(ChartState)
TONES: Final[dict[ChartState, Tone]] = {"released": "ok", "override": "un", "draft": "un", "expired": "out",
                                        "withdrawn": "out", "none": "nr"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchLine:
    """A batch: its chart, if any, with state and last day of the release; tubes; number of readings."""

    batch: Batch
    chart: StoredChart | None
    state: ChartState
    until: datetime | None
    releases: tuple[StoredRelease, ...]
    tubes: tuple[Tube, ...]
    readings: int

    @property
    def tone(self) -> Tone:
        """Tone of the state."""
        return TONES[self.state]

    @property
    def in_use(self) -> int:
        """Number of open tubes."""
        return sum(t.opened is not None and t.finished is None for t in self.tubes)


def batch_lines(store: Store, access: SiteAccess, batches: Sequence[Batch]) -> list[BatchLine]:
    """Return some batches; the number of queries does not depend on their number."""
    now, counts = store.clock(), count_by_batch(store, ReadingFilter(access=access))
    charts, tubes = store.find(StoredChart), store.find(Tube)
    made = sorted(store.find(StoredRelease), key=lambda r: r.at)
    releases = [r.release() for r in made]
    lines = []
    for b in batches:
        mine = [c for c in charts if c.batch == b.id]
        chart = preferred(mine, releases, now) if mine else None
        history = tuple(r for r in made if chart and r.chart == chart.id)
        lines.append(BatchLine(
            batch=b, chart=chart, state=chart_state(chart.id, releases, now) if chart else "none",
            until=history[-1].valid_until if history else None, releases=history,
            tubes=tuple(t for t in tubes if t.batch == b.id), readings=counts.get(b.id, 0)))
    return lines


def chart_state(chart: str, releases: Sequence[Release], now: datetime) -> ChartState:
    """Return the state that a chart's flags express; the first of `state_of` is the most severe."""
    flags = state_of(chart, releases, now=now)
    state = flags[0].removeprefix("chart-") if flags else "released"
    return next(s for s in STATES if s == state)


@dataclass(frozen=True, slots=True)
class GateLine:
    """A requirement of the release gate; ``facts``: the figures on which it was evaluated."""

    requirement: Requirement
    tone: Tone
    lacks: tuple[str, ...]
    facts: Mapping[str, str]


def gate_lines(chart: Chart, checked: Sequence[Check], expires: date | None, until: date,
               notation: Notation) -> list[GateLine]:
    """Return the requirements for a release until a day; scores without any value are not tested."""
    evidence = Evidence(checks=gate_checks(c.pair for c in checked), expires=expires)
    largest = max((abs(c.zeta) for c in checked), default=0.0)
    facts: dict[Requirement, Mapping[str, str]] = {
        "expiry": {"day": notation.day(expires) if expires else "–"},
        "levels": {"n": str(len({c.pair.sample for c in checked}))},
        "zeta": {"n": str(len(checked)), "most": notation.mark(f"{largest:.1f}")}}
    return [GateLine(i.requirement, "out" if i.lacks else "nr" if i.requirement == "zeta" and not checked else "ok",
                     i.lacks, facts[i.requirement]) for i in gate_items(chart, evidence, until)]


@dataclass(frozen=True, slots=True)
class CheckSummary:
    """Check standards of an analyte: number of values, of warnings and failures, largest absolute zeta score."""

    analyte: str
    n: int
    warnings: int
    failed: int
    largest: float

    @property
    def tone(self) -> Tone:
        """Tone of the most severe verdict."""
        return "out" if self.failed else "un" if self.warnings else "ok"


def check_summaries(checked: Sequence[Check]) -> list[CheckSummary]:
    """Return a summary of each analyte with check standards."""
    by_analyte = {a: [c for c in checked if c.pair.read.analyte == a] for a in ANALYTES}
    return [CheckSummary(a, len(mine), sum(c.verdict == "warning" for c in mine),
                         sum(c.verdict == "fail" for c in mine), max(abs(c.zeta) for c in mine))
            for a, mine in by_analyte.items() if mine]


@dataclass(frozen=True, slots=True)
class BatchComparison:
    """A chart compared with that of the previous batch, analyte by analyte; ``tones`` of the outcomes."""

    previous: str
    analytes: tuple[Comparison, ...]

    def tone(self, compared: Comparison) -> Tone:
        """Return the tone of an outcome."""
        return "out" if compared.matters else "un" if compared.undecided else "ok"

    def largest(self, compared: Comparison) -> Difference:
        """Return the level with the largest shift in proportion to what is allowed."""
        return max(compared.levels, key=lambda d: abs(d.shift) / d.allowed)


def compared_with_previous(store: Store, chart: StoredChart | None) -> BatchComparison | None:
    """Return the comparison with the previous batch; None without one, or with other analytes or ranges."""
    previous = previous_chart(store, chart) if chart else None
    if chart is None or previous is None:
        return None
    try:
        return BatchComparison(previous.batch, compare(previous.chart, chart.chart))
    except MismatchError:
        return None


def number(value: float, unit: str, notation: Notation, digits: int = 3) -> str:
    """Return a value or an error in the reader's unit, rounded."""
    return notation.mark(significant(notation.express(value, unit), digits))
