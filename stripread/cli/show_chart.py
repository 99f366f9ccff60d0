"""Charts, comparisons of charts and control charts as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import msgspec

from calibration.agreement import agreement, by_sample
from calibration.chart import Chart
from calibration.checks import Pair
from calibration.compare import Comparison
from calibration.control import ControlChart
from calibration.release import Release
from calibration.westgard import RULES
from shared.analytes import ANALYTES
from shared.flags import FLAGS
from shared.notation import significant
from shared.quantities import read_quantity
from stripread.report.calibration_text import agreement_lines, light_lines


def chart_json(chart: Chart, state: tuple[str, ...], releases: tuple[Release, ...]) -> bytes:
    """Return state, releases, origin and ranges as JSON."""
    return msgspec.json.encode({
        "id": chart.id, "batch": chart.batch, "state": state[0] if state else "released", "releases": releases,
        "conditions": chart.conditions,
        "ranges": {c.analyte: (c.scale.low, c.scale.high, c.unit) for c in chart.curves}})


def chart_lines(chart: Chart, state: tuple[str, ...], releases: tuple[Release, ...]) -> Iterator[str]:
    """Yield the state first, then releases, origin and ranges."""
    yield f"chart {chart.id}"
    yield from _states(chart, state, releases)
    yield from _origin(chart)


def _states(chart: Chart, state: tuple[str, ...], releases: tuple[Release, ...]) -> Iterator[str]:
    if not state:
        yield "  released"
    yield from (f"  ! {flag}: {FLAGS[flag].words}" for flag in state)
    for r in releases:
        until = f", valid {r.starts:%Y-%m-%d} to {r.valid_until:%Y-%m-%d}" if r.valid_until else ""
        yield f"  {r.state} on {r.when:%Y-%m-%d} by {r.who}{until}: {r.why}"
        if r.despite:
            yield f"    override of the release gate: {r.despite}"
            yield from (f"    missing: {lack}" for lack in r.shortcomings(chart))


def _origin(chart: Chart) -> Iterator[str]:
    made = chart.conditions
    yield f"  strip batch {chart.batch}, {chart.strip.name}"
    yield (f"  made {made.made} by {made.software} from {made.photographs} photographs under {', '.join(made.lights)}, "
           f"print run {made.print_run} of {chart.card.name}")
    for photo in made.excluded:
        yield f"  excluded: {photo.photo}. {photo.why}"
    for curve in chart.curves:
        yield (f"  {curve.analyte:12} {curve.scale.low:g} to {curve.scale.high:g} {curve.unit}, "
               f"{len(curve.levels)} levels")
        yield from (f"  ! {warning}" for warning in curve.warnings)
    yield from (f"  {line}" for line in light_lines(chart))


def waters_json(pairs: Sequence[Pair]) -> bytes:
    """Return the agreement with reference values by analyte as JSON."""
    return msgspec.json.encode({a: agreement(own) for a, own in _waters(pairs).items()})


def waters_lines(pairs: Sequence[Pair]) -> Iterator[str]:
    """Yield the agreement with reference values by analyte."""
    for analyte, own in _waters(pairs).items():
        yield from agreement_lines(analyte, own)


def _waters(pairs: Sequence[Pair]) -> dict[str, list[Pair]]:
    found = {a: by_sample([p for p in pairs if p.read.analyte == a]) for a in ANALYTES}
    return {a: list(own) for a, own in found.items() if own}


def allowed(text: str) -> tuple[str, float]:
    """Return analyte and shift of an ANALYTE=QUANTITY."""
    analyte, _, quantity = text.partition("=")
    return analyte, read_quantity(quantity, analyte, where="--allow")


def comparison_json(compared: Sequence[Comparison]) -> bytes:
    """Return comparisons with their outcome as JSON."""
    return msgspec.json.encode([
        {**msgspec.to_builtins(c), "p": c.p, "real": c.real, "matters": c.matters, "undecided": c.undecided}
        for c in compared])


def comparison_lines(compared: Comparison) -> Iterator[str]:
    """Yield the outcome for an analyte, then its levels."""
    yield f"{compared.analyte} [{compared.unit}]: {_verdict(compared)} (p = {compared.p:.2g})"
    yield f"{'value':>10} {'shift':>9} {'u':>8} {'dE00':>6} {'allowed':>8}"
    for d in compared.levels:
        yield (f"{d.value:10g} {d.shift:+9.3g} {d.u:8.2g} {d.delta_e:6.2f} {d.allowed:8.2g}"
               f"{'  relevant' if compared.real and d.matters else ''}")


def _verdict(compared: Comparison) -> str:
    if compared.real:
        return f"the charts differ; the difference is {'relevant' if compared.matters else 'not relevant'}"
    if compared.undecided:
        return "no significant difference, but the data cannot exclude a relevant one"
    return "no relevant difference"


def control_json(charts: Sequence[ControlChart]) -> bytes:
    """Return control charts with their state as JSON."""
    return msgspec.json.encode([{**msgspec.to_builtins(c), "state": c.state} for c in charts])


def control_lines(chart: ControlChart) -> Iterator[str]:
    """Yield the state, limits, exclusions and violated rules of a control chart."""
    unit = ANALYTES[chart.analyte].unit
    yield f"{f'{chart.batch}, ' if chart.batch else ''}{chart.analyte}: {chart.state}"
    for standard, limit in chart.limits.items():
        mean, s = significant(limit.mean, 4), significant(limit.s, 2)
        earlier = f"; s from {limit.earlier} runs of earlier batches" if limit.earlier else ""
        yield f"  {standard}: mean {mean}, s {s} {unit}, from {limit.runs} runs{earlier}"
    for standard, why in chart.waiting.items():
        yield f"  {standard}: no limits yet: {why}"
    for result in chart.left_out:
        yield f"  excluded: run {result.run}, {result.standard} {result.value:g}. {result.left_out}"
    for i, rules in chart.completed.items():
        point, result = chart.points[i], chart.points[i].result
        where = " (in the baseline)" if point.baseline else ""
        value = significant(result.value, 4)
        yield f"  ! run {result.run}, {result.standard} {value} ({point.z:+.1f} s): {' '.join(rules)}{where}"
    for rule in RULES.values():
        if any(rule.id in rules for rules in chart.completed.values()):
            yield f"  {rule.id}: {rule.says}. Usually {rule.usually}."
