"""A calibration as text for a person, as JSON for a program."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import msgspec

from calibration.chart import Chart
from calibration.checks import Check
from calibration.curve import Curve, Tried
from calibration.lights import lights_of
from shared.rounding import rounded, significant
from stripread.reading.calibrate import Calibration
from stripread.reading.strangers import UnreadStandard
from stripread.report.light_text import light_lines
from stripread.report.merit_text import check_lines, gain_lines


def as_json(made: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> bytes:
    """Everything the table tells, and the budget with what would improve it."""
    chart, gains = made.chart, made.gains()
    curves = [{"analyte": c.analyte, "unit": c.unit, "scale": c.scale, "tried": c.tried, "levels": c.levels,
               "lights": c.lights, "warnings": c.warnings, "gain": gains[c.analyte]} for c in chart.curves]
    return msgspec.json.encode({
        "chart": chart.id, "curves": curves, "suspects": chart.suspects, "excluded": chart.conditions.excluded,
        "lights": [{"seen": v.seen, "n": v.n, "covered": v.covered, "carries": v.carries} for v in lights_of(chart)],
        "checks": checked, "unread": unread})


def as_text(made: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> Iterator[str]:
    """Curves, lights, check standards."""
    gains = made.gains()
    yield from table(made.chart)
    yield "what would make readings most certain"
    yield from (f"  {line}" for curve in made.chart.curves for line in gain_lines(curve, gains[curve.analyte]))
    yield ""
    yield "lights"
    yield from (f"  {line}" for line in light_lines(made.chart))
    yield ""
    yield f"check standards, read on the chart as strangers{'' if checked else ': none in the table'}"
    yield from (f"  {line}" for line in check_lines(checked))
    yield from (f"  no value: {u.photo}, {u.analyte}. {u.why}" for u in unread)
    yield ""


def table(chart: Chart) -> Iterator[str]:
    """For each analyte its levels, its scale, what leaving out lights says, and what is doubtful."""
    for curve in chart.curves:
        yield f"{curve.analyte} [{curve.unit}]"
        yield f"{'level':>10} {'n':>4} {'L*':>7} {'a*':>7} {'b*':>7} {'repeat.':>8} {'residual':>9} {'left out':>9}"
        for level in curve.levels:
            colour = " ".join(f"{v:7.2f}" for v in level.lab)
            left_out = "" if level.left_out is None else f"{level.left_out:+9.3g}"
            repeatability = f"{level.repeatability:8.2f}" if level.n > 1 else f"{'-':>8}"
            yield (f"{level.value:10g} {level.n:4d} {colour} {repeatability} {level.residual:9.2f} "
                   f"{left_out}".rstrip())
        yield f"  scale: {scales(curve)}"
        yield from (f"  without {v.light}: {v.covered} of its {v.n} photographs within their intervals, "
                    f"root mean square error {significant(v.rms)} {curve.unit}" for v in curve.lights)
        yield from (f"  ! {warning}" for warning in curve.warnings)
        yield from (f"  ? {s.photo} at {s.value:g}: {s.verdict} by {s.rule}, {s.statistic:.2f}; kept. Where there is a "
                    "reason, leave it out: --without, --why" for s in chart.suspects if s.analyte == curve.analyte)
        yield ""


def scales(curve: Curve) -> str:
    """The scale chosen, and the density of left-out levels on it and on the runners-up."""
    best, *others = (_scale(t, curve.unit) for t in curve.tried)
    return f"{best} by the log density of left-out levels, against {', '.join(others)}"


def _scale(tried: Tried, unit: str) -> str:
    knee = "" if tried.scale.form == "straight" else f", knee {significant(tried.scale.knee)} {unit}"
    return f"{tried.scale.form}{knee} ({rounded(tried.left_out, 2)})"
