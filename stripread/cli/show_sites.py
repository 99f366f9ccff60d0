"""Status of sites, trends and method comparisons as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import itemgetter

from assess.decision import VERDICT_NAMES
from shared.analytes import ANALYTES
from shared.text import format_value, many
from stripread.monitoring.method_comparison import MethodComparison, StructuralFit
from stripread.monitoring.next_action import deviation_words, not_measured
from stripread.monitoring.status import SiteStatus, StatusOverview
from stripread.monitoring.supply_zones import SupplyZone
from stripread.monitoring.trend.trend import Trend

_NAMES: dict[str, str] = dict(VERDICT_NAMES.items())


def status_lines(overview: StatusOverview) -> Iterator[str]:
    """Yield counts, then a line for each site, most severe first."""
    if not overview.sites:
        yield "no sites"
        return
    counts = ", ".join(f"{n} {_NAMES.get(verdict, 'not assessed')}" for verdict, n in overview.counts().items() if n)
    yield f"{many(len(overview.sites), 'site')} on {overview.today}: {counts}; {overview.overdue} with overdue tasks"
    width = max(len(line.name) for line in overview.sites)
    yield from (_status_line(line, width) for line in overview.sites)


def _status_line(line: SiteStatus, width: int) -> str:
    verdict = VERDICT_NAMES[line.verdict] if line.verdict else "not assessed"
    late = f"{line.overdue} overdue" if line.overdue else ""
    comes = f"next {line.next.on}: {line.next.what}" if line.next else ""
    facts = "; ".join(filter(None, (_water(line), late, comes)))
    return f"  {verdict:13}  {line.name:{width}}  {facts}"


def _water(line: SiteStatus) -> str:
    """Return what is out or inconclusive first, and since when; else where and when the water was measured."""
    water = line.water
    if water is None:
        return "no readings" if line.last is None else f"last reading {line.last}"
    if water.first is None:
        return f"{water.name} on {water.on}"
    if missing := not_measured(water.deviations):
        return f"{water.name} on {water.on}: not measured: {missing}"
    others = sum(d.verdict == water.verdict and not d.not_measured for d in water.deviations[1:])
    more = f", and {others} more" if others else ""
    return f"{water.name}: {deviation_words(water.first)}{more}; {VERDICT_NAMES[water.verdict]} since {water.since}"


def trend_lines(trend: Trend) -> Iterator[str]:
    """Yield what the trend of a sampling point shows, analyte by analyte."""
    from stripread.report.trend import change, day, headline, sentences

    yield headline(trend)
    yield from change(trend)
    for analyte in trend.analytes:
        yield f"{ANALYTES[analyte.analyte].name}:"
        yield from (f"  {sentence}" for sentence in sentences(analyte))
    if trend.marks:
        yield "events:"
        yield from (f"  {day(mark.at)} {mark.what}" for mark in trend.marks)


def comparison_lines(comparison: MethodComparison) -> Iterator[str]:
    """Yield bias, agreement and interval coverage of an analyte."""
    from stripread.report.calibration_text import agreement_lines

    yield from agreement_lines(comparison.analyte, comparison.pairs)
    if comparison.limits is not None and comparison.agreement is not None:
        lower, upper = (_span(comparison, *ends) for ends in (comparison.limits.lower_interval,
                                                              comparison.limits.upper_interval))
        yield f"  lower limit of agreement {lower}, upper limit {upper} (95 %)"
    if comparison.fit is not None:
        yield f"  {_fit_line(comparison.fit)}"
    c = comparison.coverage
    if c is not None:
        yield (f"  {c.inside} of {c.n} intervals contain the laboratory result "
               f"(coverage {100 * c.low:.0f} to {100 * c.high:.0f} %, 95 %)")
        if c.too_narrow:
            yield ("  ! coverage is below 95 %: set intrinsic_u, the intrinsic uncertainty, in the strip type, and "
                   "check the bias")
    if comparison.without_uncertainty:
        yield f"  results without stated uncertainty, treated as exact: {comparison.without_uncertainty}"


def left_out_lines(comparisons: Sequence[MethodComparison]) -> Iterator[str]:
    """Yield each laboratory sample without a reading once, with its analytes and the reason."""
    analytes: dict[tuple[str, str, str], list[str]] = {}
    for one in comparisons:
        for alone in one.alone:
            analytes.setdefault((alone.why, alone.lab.point, f"{alone.lab.taken:%Y-%m-%d}"), []).append(one.analyte)
    for why, samples in groupby(sorted(analytes), key=itemgetter(0)):
        yield f"excluded, {why}:"
        yield from (f"  {point} {day}: {', '.join(analytes[why, point, day])}" for _, point, day in samples)


def _span(comparison: MethodComparison, low: float, high: float) -> str:
    if comparison.agreement is not None and comparison.agreement.relative:
        return f"{100 * low:+.1f} to {100 * high:+.1f} %"
    return f"{low:+.3g} to {high:+.3g} {comparison.unit}"


def _fit_line(fit: StructuralFit) -> str:
    slope, intercept = fit.intervals.slope, fit.intervals.intercept
    return (f"line: strip = {fit.line.intercept:.3g} + {fit.line.slope:.3g} x laboratory; slope {slope[0]:.3g} to "
            f"{slope[1]:.3g}, intercept {intercept[0]:.3g} to {intercept[1]:.3g} (95 %)")


def zone_lines(zones: Sequence[SupplyZone]) -> Iterator[str]:
    """Yield levels, shared changes and differences, zone by zone."""
    for zone in zones:
        yield f"{zone.zone}: {', '.join(zone.sites)}"
        for level in zone.levels:
            known = ANALYTES[level.analyte]
            value = format_value(level.value, low=level.low, high=level.high, unit=known.unit)
            yield f"  {level.site}: {known.name} {value}"
        for change in zone.changes:
            known = ANALYTES[change.analyte]
            yield (f"  {known.name} {change.size:+.0f} {known.unit} between {change.after} and {change.before} at "
                   f"{', '.join(change.sites)}: ask the water supplier")
        for analyte in zone.apart:
            yield f"  ! {ANALYTES[analyte].name} differs between sites: they may be fed by different mains"
