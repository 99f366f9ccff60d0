"""A calibration as text, the verdict first, and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import msgspec

from calibration.chart import Chart
from calibration.checks import Check, Verdict
from calibration.cross_validation import lights_of
from calibration.curve import Curve, Tried
from shared.notation import rounded, significant
from stripread.cli.output import filled
from stripread.reading.calibrate import Calibration
from stripread.reading.check_samples import UnreadStandard
from stripread.report.calibration_text import check_lines, gain_lines, light_lines


def calibration_json(made: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> bytes:
    """Return levels, lights, check standards, and the uncertainty budget with what would improve it."""
    chart, gains = made.chart, made.gains()
    curves = [{"analyte": c.analyte, "unit": c.unit, "scale": c.scale, "tried": c.tried, "levels": c.levels,
               "lights": c.lights, "warnings": c.warnings, "gain": gains[c.analyte]} for c in chart.curves]
    return msgspec.json.encode({
        "chart": chart.id, "curves": curves, "suspects": chart.suspects, "excluded": chart.conditions.excluded,
        "lights": [{"seen": v.seen, "n": v.n, "covered": v.covered, "carries": v.carries} for v in lights_of(chart)],
        "checks": checked, "unread": unread})


def calibration_lines(made: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard],
                      output: Path) -> Iterator[str]:
    """Yield the verdict, a line for each analyte with its warnings, and the next step."""
    made_of, passed = made.chart.conditions, Counter(c.verdict for c in checked)
    counts = ", ".join(f"{passed[verdict]} {words}" for verdict, words in _OUTCOMES.items() if passed[verdict])
    yield from filled(f"{output}: chart of batch {made.chart.batch} fitted from {made_of.photographs} photographs "
                       f"under {', '.join(made_of.lights)}; check standards: {counts or 'none in the table'}")
    for curve in made.chart.curves:
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


def detail_lines(made: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> Iterator[str]:
    """Yield levels, residuals, lights, uncertainty and check standards, as lines that fit the terminal."""
    for line in _details(made, checked, unread):
        yield from filled(line) or [""]


def _details(made: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> Iterator[str]:
    gains = made.gains()
    yield ""
    yield from table(made.chart)
    yield "largest contributions to uncertainty and how to reduce them"
    yield from (f"  {line}" for curve in made.chart.curves for line in gain_lines(curve, gains[curve.analyte]))
    yield ""
    yield "lights"
    yield from (f"  {line}" for line in light_lines(made.chart))
    yield ""
    yield f"check standards (not used in the fit){'' if checked else ': none in the table'}"
    yield from (f"  {line}" for line in check_lines(checked))
    yield from (f"  no result: {u.photo}, {u.analyte}. {u.why}" for u in unread)
    yield f"chart {made.chart.id}"


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


def _scale(tried: Tried, unit: str) -> str:
    knee = "" if tried.scale.form == "straight" else f", knee {significant(tried.scale.knee)} {unit}"
    return f"{tried.scale.form}{knee} ({rounded(tried.left_out, 2)})"
