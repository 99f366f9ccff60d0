"""For which light a chart is good, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from calibration.chart import Chart
from calibration.lights import LightTold, lights_of


def light_lines(chart: Chart) -> Iterator[str]:
    """Each light, what it resembles, whether the chart needs to have seen it; then what that comes to."""
    lights = list(lights_of(chart))
    for light in lights:
        lamps = ", ".join(f"{name} ({100 * p:.0f} %)" for name, p in light.lamps)
        yield f"{light.seen.light}: {light.seen.photographs} photographs, most like CIE {lamps}{_left_out(light)}"
    yield _verdict(chart, lights)


def _left_out(light: LightTold) -> str:
    return "" if light.n == 0 else f"; {light.covered} of its {light.n} values hold on curves that never saw it"


def _verdict(chart: Chart, lights: list[LightTold]) -> str:
    names = ", ".join(chart.conditions.lights)
    if any(light.carries is None for light in lights) or not lights:
        return (f"Good for {names}. Nothing tells how it does under another light: photograph standards under two or "
                "more.")
    strange = [light.seen.light for light in lights if not light.carries]
    if strange:
        return (f"Good for {names}. It does not carry over to a light it has not seen ({', '.join(strange)}): "
                "photograph standards under every light it is to be used in.")
    return (f"Good for {names}, and for lights as much like them as they are like each other: each was read by the "
            "others within the intervals stated.")
