"""Validated light sources of a chart, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from calibration.chart import Chart
from calibration.lights import LightCoverage, lights_of
from stripread.report.colorimetry import lamp_colour


def light_lines(chart: Chart) -> Iterator[str]:
    """Yield each light with its nearest CIE illuminants and its leave-one-light-out result, then the conclusion."""
    lights = list(lights_of(chart))
    for light in lights:
        lamps = ", ".join(f"{name} ({100 * p:.0f} %; {lamp_colour(name).words})" for name, p in light.lamps)
        yield f"{light.seen.light}: {light.seen.photographs} photographs, most like CIE {lamps}{_left_out(light)}"
    yield validity(chart)


def _left_out(light: LightCoverage) -> str:
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
