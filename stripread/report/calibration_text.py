"""Figures of merit of a curve in words, each with its meaning, and the lights for which a chart is good."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from calibration.chart import Chart
from calibration.checks import LEAST_WATERS, Check, Pair, agreement, reference_for, within
from calibration.cross_validation import LightCoverage, lights_of
from calibration.curve import Curve
from calibration.merit import RESOLUTION_AT, USEFUL_PH, USEFUL_SHARE, Merit
from calibration.uncertainty_reduction import Gain
from shared.analytes import ANALYTES
from shared.estimate import Z95
from shared.notation import significant
from shared.text import many, written
from stripread.report.colorimetry import lamp_colour


def light_lines(chart: Chart) -> Iterator[str]:
    """Yield each light with its nearest CIE illuminants and its leave-one-light-out result, then the conclusion."""
    lights = list(lights_of(chart))
    for light in lights:
        lamps = ", ".join(f"{name} ({100 * p:.0f} %; {lamp_colour(name).words})" for name, p in light.lamps)
        yield f"{light.seen.light}: {light.seen.photographs} photographs, closest to CIE {lamps}{_without_it(light)}"
    yield validity(chart)


def _without_it(light: LightCoverage) -> str:
    if light.n == 0:
        return ""
    return f"; {light.covered} of {light.n} values within their 95 % interval when this light was excluded from the fit"


def validity(chart: Chart) -> str:
    """Return under which lights the chart is validated."""
    lights = list(lights_of(chart))
    names = ", ".join(chart.conditions.lights)
    if any(light.carries is None for light in lights) or not lights:
        return (f"Validated for {names}. Not tested under other lights: photograph standards under two or more lights.")
    untransferable = [light.seen.light for light in lights if not light.carries]
    if untransferable:
        return (f"Validated for {names} only. The chart does not transfer to a light that was excluded from the fit "
                f"({', '.join(untransferable)}): photograph standards under every light in which it is to be used.")
    return (f"Validated for {names} and for similar lights: with each light excluded from the fit, its values were "
            "within their stated intervals.")

_CHECK_WORDS: Final = {"pass": "passed", "warning": "with a warning", "fail": "failed"}


def check_lines(checked: Sequence[Check]) -> Iterator[str]:
    """Yield how many results pass and which do not, then each result by analyte."""
    yield _check_verdict(checked)
    for analyte in dict.fromkeys(c.pair.read.analyte for c in checked):
        own = [c for c in checked if c.pair.read.analyte == analyte]
        passed = sum(c.verdict == "pass" for c in own)
        yield f"{analyte} [{own[0].pair.read.unit}]: {passed} of {len(own)} pass"
        yield f"{'sample':>10} {'known':>8} {'measured':>8} {'95 % interval':>18} {'recovery':>12} {'zeta':>6}  verdict"
        yield from map(_check_line, own)


def _check_verdict(checked: Sequence[Check]) -> str:
    counts = ", ".join(f"{n} {words}" for verdict, words in _CHECK_WORDS.items()
                       if (n := sum(c.verdict == verdict for c in checked)))
    failed = ", ".join(f"{c.pair.read.analyte} of {c.pair.sample}" for c in checked if c.verdict == "fail")
    return f"{many(len(checked), 'result')} of check standards: {counts}" + (f" ({failed})" if failed else "")


def recovery_text(c: Check) -> str:
    """Return the recovery with its 95 % interval, or a dash."""
    return "-" if c.recovery is None else f"{100 * c.recovery[0]:.0f} ± {100 * Z95 * c.recovery[1]:.0f} %"


def read_text(c: Check) -> tuple[str, str]:
    """Return the measured value, rounded to its 95 % interval, and the interval."""
    text = written(c.pair.read, c.pair.read.unit)
    return text.value, text.interval


def _check_line(c: Check) -> str:
    p, (value, interval) = c.pair, read_text(c)
    return (f"{p.sample:>10} {p.known:8.4g} {value:>8} {interval:>18} {recovery_text(c):>12} {c.zeta:+6.1f}  "
            f"{c.verdict} ({p.photo})")


def agreement_lines(analyte: str, pairs: Sequence[Pair]) -> Iterator[str]:
    """Yield the number of waters, bias, limits of agreement, the intrinsic uncertainty, and a calibrated value."""
    result, unit = agreement(pairs), ANALYTES[analyte].unit
    if result is None:
        yield f"{analyte}: {many(len(pairs), 'water')}; bias and agreement need at least {LEAST_WATERS}"
        return

    def signed(value: float) -> str:
        return f"{100 * value:+.1f} %" if result.relative else f"{value:+.3g} {unit}"

    yield f"{analyte}: {result.n} waters"
    yield f"  bias {signed(result.bias)} (95 %: {signed(result.interval[0])} to {signed(result.interval[1])})"
    low, high = map(signed, result.limits)
    yield f"  single readings differ from the reference by {low} to {high} (95 %)"
    yield (f"  intrinsic standard uncertainty of the strip: {signed(result.intrinsic).lstrip('+')}, "
           f"at most {signed(result.intrinsic_below).lstrip('+')} (95 %); state it as intrinsic_u in the strip type")
    if analyte in RESOLUTION_AT:
        yield f"  a reading of {RESOLUTION_AT[analyte]:g} {unit} {_corresponds_to(pairs, RESOLUTION_AT[analyte])}"


def _corresponds_to(pairs: Sequence[Pair], reading: float) -> str:
    if not within(pairs, reading):
        return "is outside the range measured on these waters; no reference value can be given"
    reference = reference_for(pairs, reading)
    if reference is None or reference.interval is None:
        return "has no reference value: too few waters"
    # The line may be negative, a concentration not.
    low, high = (max(0.0, end) for end in reference.interval)
    return (f"corresponds to {significant(reference.x)} ({significant(low)} to {significant(high)}, 95 %) "
            "by the reference")


#: Significant digits of an uncertainty that is compared with another.
_DIGITS = 3


def gain_lines(curve: Curve, gain: Gain) -> Iterator[str]:
    """Yield the largest components of the budget, and the two most effective improvements."""
    first, second = gain.parts[:2]
    yield (f"{curve.analyte} at {gain.value:g} {curve.unit}: standard uncertainty {figure(gain.u)}, most of it "
           f"{first.name} ({figure(first.u)}), then {second.name} ({figure(second.u)})")
    yield from (f"  {figure(move.u)} if you {move.words}" for move in gain.moves[:2])


def figure(u: float) -> str:
    """Return an uncertainty, rounded for comparison with others."""
    return significant(u, _DIGITS)


def merit_facts(merit: Merit) -> Iterator[tuple[str, str]]:
    """Yield name and value of each figure of merit, or why it could not be determined."""
    yield "working range", _range(merit)
    yield "sensitivity, CIELAB units per unit", ", ".join(f"{e.sensitivity:.3g} at {e.value:g}" for e in merit.levels)
    yield "scatter along the curve, CIELAB units", f"{merit.scatter:.2f} in total (robust){_stages(merit)}"
    yield "form of the curve", _tests(merit)
    yield "left-out levels", _left_out(merit)
    if merit.analyte != "ph":
        yield "near zero", _near_zero(merit)
    if merit.resolution is not None:
        yield (f"resolution at {merit.resolution_at:g}",
               f"a difference of {significant(merit.resolution, 2)} between strips under one light is significant")


def _range(merit: Merit) -> str:
    if merit.working_range is None:
        return "none: no two neighbouring levels have a sufficiently narrow interval"
    low, high = merit.working_range
    what = f"{USEFUL_PH:g}" if merit.analyte == "ph" else f"{100 * USEFUL_SHARE:.0f} % of the value"
    return f"{low:g} to {high:g} (95 % interval of one strip within ± {what})"


def _stages(merit: Merit) -> str:
    if merit.stages is None:
        return "; strips and lights cannot be separated without replicates"
    return "".join(f"; {name} {stage.sd:.2f} ({stage.dof} degrees of freedom)"
                   for name, stage in zip(("standards", "lights", "strips"), merit.stages, strict=True))


def _tests(merit: Merit) -> str:
    tests = []
    if merit.lack_of_fit is not None:
        f = merit.lack_of_fit
        tests.append(f"lack of fit F({f.dof1}, {f.dof2}) = {f.statistic:.2f}, p = {f.p:.2g}")
    if merit.bend is not None:
        tests.append(f"residual curvature (Mandel) p = {merit.bend.p:.2g}")
    return "; ".join(tests) or "too few levels or replicates for a test"


def _left_out(merit: Merit) -> str:
    errors = [f"{e.left_out:+.2g} at {e.value:g}" for e in merit.levels if e.left_out is not None]
    rms = merit.left_out_rms
    return "none" if rms is None else (f"error {rms:.2f} CIELAB units (rms); in the unit of the analyte "
                                       + ", ".join(errors))


def _near_zero(merit: Merit) -> str:
    z = merit.near_zero
    if z is None:
        return "not determined: needs a blank, at least three more levels, and a colour that changes"
    critical, detectable = significant(z.critical, 2), significant(z.detectable, 2)
    quantifiable = f"limit of quantification {significant(z.quantifiable, 2)}" if z.quantifiable else "not quantifiable"
    return (f"critical value {critical}, minimum detectable value {detectable} (ISO 11843-2), {quantifiable} (10 s), "
            f"for one strip; from the standards at levels 0 to {z.up_to:g}")
