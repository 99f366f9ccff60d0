"""Extraction against hardness: a qualitative curve from trade experience, without measurements."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from assess.assessment import Assessment

#: Size of the drawing and its margins: left, top, right, bottom.
WIDTH, HEIGHT = 480.0, 180.0
_LEFT, _TOP, _RIGHT, _BOTTOM = 14.0, 14.0, 14.0, 40.0
#: Hardness (mg/L CaCO3) and extraction without a scale: clearly weaker below 60, gains that taper past 80.
_CURVE: Final = ((0.0, 0.30), (20.0, 0.50), (40.0, 0.72), (60.0, 0.90), (80.0, 0.96), (100.0, 0.98), (400.0, 1.0))
_TICKS: Final = (20, 40, 60, 80, 100, 150, 200, 300, 400)
_LEAST_RANGE: Final = 120.0
CAPTION: Final = (
    "Qualitative: drawn from trade experience (common practice, no source), not measured. Extraction is clearly weaker "
    "below about 60 mg/L CaCO3, increases little above about 80, and above about 90 scale is the main concern.")


@dataclass(frozen=True, slots=True)
class ExtractionPlot:
    """Curve as points of an SVG, ``marks`` with position and name, ``worry``: where the scale concern begins."""

    line: str
    marks: tuple[tuple[float, float, str], ...]
    ticks: tuple[tuple[float, str], ...]
    worry: float
    size: tuple[float, float] = (WIDTH, HEIGHT)
    floor: float = HEIGHT - _BOTTOM
    caption: str = CAPTION
    description: str = ""


def extraction_plot(assessment: Assessment) -> ExtractionPlot | None:
    """Return the curve with tap and treated water, or None where hardness was not measured."""
    tap = next((j for j in assessment.judgements if j.id == "hardness"), None)
    if tap is None or tap.not_measured:
        return None
    treated = assessment.plan.option.outlet.hardness.value
    most = max(_LEAST_RANGE, 1.1 * tap.value, 1.1 * treated)
    values = [(tap.value, "tap")]
    if abs(treated - tap.value) > 1.0:
        values.append((treated, "treated"))
    at, height = (np.array(column) for column in zip(*_CURVE, strict=True))
    points = [(x, float(np.interp(x, at, height))) for x in np.linspace(0.0, most, 60).tolist()]
    return ExtractionPlot(
        line=" ".join(f"{_across(x, most)},{_up(y)}" for x, y in points),
        marks=tuple((_across(x, most), _up(float(np.interp(x, at, height))), name) for x, name in values),
        ticks=tuple((_across(t, most), f"{t}") for t in _TICKS if t <= most), worry=_across(90.0, most),
        description=f"{CAPTION} {', '.join(f'{name} at {x:.0f} mg/L' for x, name in values).capitalize()}.")


def _across(hardness: float, most: float) -> float:
    return round(_LEFT + hardness / most * (WIDTH - _LEFT - _RIGHT), 1)


def _up(extraction: float) -> float:
    return round(HEIGHT - _BOTTOM - extraction * (HEIGHT - _TOP - _BOTTOM), 1)
