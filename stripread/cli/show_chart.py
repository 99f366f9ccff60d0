"""Calibrations, charts, comparisons of charts and control charts as text and as JSON; the verdict first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import msgspec

from calibration.chart import Chart
from calibration.checks import Check, Pair, Verdict, agreement, by_sample
from calibration.compare import Comparison
from calibration.control import ControlChart
from calibration.cross_validation import lights_of
from calibration.curve import Curve, ScaleTrial
from calibration.release import Release
from calibration.westgard import RULES
from shared.analytes import ANALYTES
from shared.flags import FLAGS
from shared.notation import rounded, significant
from shared.quantities import read_quantity
from stripread.cli.output import filled
from stripread.reading.calibrate import Calibration, UnreadStandard
from stripread.report.calibration_text import agreement_lines, check_lines, gain_lines, light_lines


def calibration_json(calibration: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> bytes:
    """Return levels, lights, check standards, and the uncertainty budget with what would improve it."""
    chart, gains = calibration.chart, calibration.gains()
    curves = [{"analyte": c.analyte, "unit": c.unit, "scale": c.scale, "tried": c.tried, "levels": c.levels,
               "lights": c.lights, "warnings": c.warnings, "gain": gains[c.analyte]} for c in chart.curves]
    return msgspec.json.encode({
        "chart": chart.id, "curves": curves, "suspects": chart.suspects, "excluded": chart.conditions.excluded,
        "lights": [{"seen": v.seen, "n": v.n, "covered": v.covered, "carries": v.carries} for v in lights_of(chart)],
        "checks": checked, "unread": unread})


def calibration_lines(calibration: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard],
                      output: Path) -> Iterator[str]:
    """Yield the verdict, a line for each analyte with its warnings, and the next step."""
    made_of, passed = calibration.chart.conditions, Counter(c.verdict for c in checked)
    counts = ", ".join(f"{passed[verdict]} {words}" for verdict, words in _OUTCOMES.items() if passed[verdict])
    yield from filled(f"{output}: chart of batch {calibration.chart.batch} fitted from {made_of.photographs} "
                      f"photographs under {', '.join(made_of.lights)}; check standards: "
                      f"{counts or 'none in the table'}")
    for curve in calibration.chart.curves:
        yield from filled(f"  {curve.analyte:12} {curve.scale.low:g} to {curve.scale.high:g} {curve.unit}, "
                          f"{len(curve.levels)} levels")
        for warning in curve.warnings:
            yield from filled(f"  ! {warning}")
    for check in checked:
        if check.verdict == "fail":
            yield from filled(f"  ! failed: {check.pair.read.analyte} {check.pair.known:g}, {check.pair.photo}")
    for one in unread:
        yield from filled(f"  ! no result: {one.photo}, {one.analyte}. {one.why}")
    yield from filled("The chart is a draft until it is released with `stripread chart release`. Levels, residuals "
                       "and uncertainty: --details or --report.")


#: Outcome of a check standard, and its name in a count.
_OUTCOMES: Final[dict[Verdict, str]] = {"pass": "passed", "warning": "with a warning", "fail": "failed"}


def detail_lines(calibration: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> Iterator[str]:
    """Yield levels, residuals, lights, uncertainty and check standards, as lines that fit the terminal."""
    for line in _details(calibration, checked, unread):
        yield from filled(line) or [""]


def _details(calibration: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> Iterator[str]:
    gains = calibration.gains()
    yield ""
    yield from table(calibration.chart)
    yield "largest contributions to uncertainty and how to reduce them"
    yield from (f"  {line}" for curve in calibration.chart.curves for line in gain_lines(curve, gains[curve.analyte]))
    yield ""
    yield "lights"
    yield from (f"  {line}" for line in light_lines(calibration.chart))
    yield ""
    yield f"check standards (not used in the fit){'' if checked else ': none in the table'}"
    yield from (f"  {line}" for line in check_lines(checked))
    yield from (f"  no result: {u.photo}, {u.analyte}. {u.why}" for u in unread)
    yield f"chart {calibration.chart.id}"


def table(chart: Chart) -> Iterator[str]:
    """For each analyte its levels, its scale, fits without single lights, and suspect photographs."""
    for curve in chart.curves:
        yield f"{curve.analyte} [{curve.unit}]"
        yield f"{'level':>8} {'n':>3} {'L*':>6} {'a*':>6} {'b*':>6} {'repeat.':>7} {'residual':>8} {'left out':>8}"
        for level in curve.levels:
            colour = " ".join(f"{v:6.2f}" for v in level.lab)
            left_out = "" if level.left_out is None else f"{level.left_out:+8.3g}"
            repeatability = f"{level.repeatability:7.2f}" if level.n > 1 else f"{'-':>7}"
            yield (f"{level.value:8g} {level.n:3d} {colour} {repeatability} {level.residual:8.2f} "
                   f"{left_out}".rstrip())
        yield f"  scale: {scales(curve)}"
        yield from (f"  without {v.light}: {v.covered} of its {v.n} photographs within their intervals, "
                    f"root mean square error {significant(v.rms)} {curve.unit}" for v in curve.lights)
        yield from (f"  ! {warning}" for warning in curve.warnings)
        yield from (f"  ? {s.photo} at {s.value:g}: {s.verdict} by {s.rule}, {s.statistic:.2f}; used. If there is a "
                    "reason, exclude it: --without, --why" for s in chart.suspects if s.analyte == curve.analyte)
        yield ""


def scales(curve: Curve) -> str:
    """The scale chosen, and the density of left-out levels on it and on the runners-up."""
    best, *others = (_scale(t, curve.unit) for t in curve.tried)
    return f"{best} by the log density of left-out levels, against {', '.join(others)}"


def _scale(tried: ScaleTrial, unit: str) -> str:
    knee = "" if tried.scale.form == "straight" else f", knee {significant(tried.scale.knee)} {unit}"
    return f"{tried.scale.form}{knee} ({rounded(tried.left_out, 2)})"


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
        yield f"  {r.state} on {r.when:%Y-%m-%d} by {r.by}{until}: {r.why}"
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
