"""Colour ramp of a calibration curve with a pad's value and interval marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve
from shared.colour import lab_to_srgb
from shared.notation import PLAIN, Notation
from stripread.reading.calibrate import ObservedStandard
from stripread.reading.result import Lab, PadReading
from stripread.report.picture import jpeg
from stripread.report.text import bound

#: Sizes in pixels: width, ramp, lines and labels, row of pads.
WIDTH, RAMP, FAN, NAMES, GAP = 480.0, 26.0, 22.0, 20.0, 16.0


@dataclass(frozen=True, slots=True)
class PadColumn:
    """Level: position on the ramp, middle of its column, colour of the curve, a pad (or "") for each light."""

    name: str
    on_ramp: float
    middle: float
    colour: str
    pads: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PadRamp:
    """Pads of all levels; ``side`` of a pad in pixels."""

    stops: tuple[tuple[float, str], ...]
    columns: tuple[PadColumn, ...]
    lights: tuple[str, ...]
    side: float

    @property
    def height(self) -> float:
        """Height in pixels."""
        return self.row(len(self.lights))

    @property
    def names_at(self) -> float:
        """Baseline of the level labels."""
        return RAMP + FAN + NAMES - 6

    def row(self, n: int) -> float:
        """Return the top of the row of the n-th light; the row of the curve's colours precedes it."""
        return RAMP + FAN + NAMES + (self.side + GAP) * (n + 1)


def pad_ramp(curve: Curve, seen: Sequence[ObservedStandard]) -> PadRamp:
    """Return the first pad of each level under each light."""
    standards = [s for s in seen if curve.analyte in s.row.certified and curve.analyte in s.pads]
    lights = tuple(sorted({s.row.light for s in standards}))
    width = WIDTH / len(curve.levels)
    columns = []
    for i, level in enumerate(curve.levels):
        here = [s for s in standards if s.row.certified[curve.analyte].value == level.value]
        columns.append(PadColumn(
            name=f"{level.value:g}", on_ramp=round(float(curve.scale.position(level.value)) * WIDTH, 1),
            middle=round((i + 0.5) * width, 1), colour=swatch(level.lab),
            pads=tuple(_picture(light, here, analyte=curve.analyte) for light in lights)))
    return PadRamp(ramp_stops(curve), tuple(columns), lights, side=round(min(width - 4, 48.0), 1))


def _picture(light: str, here: Sequence[ObservedStandard], *, analyte: str) -> str:
    first = next((s for s in here if s.row.light == light), None)
    return "" if first is None else jpeg(first.pads[analyte][..., ::-1])


Array = NDArray[np.float64]

#: Number of colours along the ramp, and smallest distance of its ticks, as a fraction of its length.
N_STOPS = 33
TICKS_APART = 0.12


@dataclass(frozen=True, slots=True)
class Ramp:
    """Positions run from 0 to 1 along the ramp, linear in the chart's scale (nearly uniform in colour)."""

    stops: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, str], ...]
    at: float | None
    low: float | None
    high: float | None


def ramp_of(curve: Curve, pad: PadReading, notation: Notation = PLAIN) -> Ramp:
    """Return the ramp of a curve with the value of a pad, if the pad has a result."""
    at, low, high = (_place(curve, v) for v in (pad.value, pad.low, pad.high))
    return Ramp(stops=ramp_stops(curve), ticks=level_ticks(curve, notation), at=at, low=low, high=high)


def ramp_stops(curve: Curve) -> tuple[tuple[float, str], ...]:
    """Return positions along a curve with their colours."""
    positions = np.linspace(0.0, 1.0, N_STOPS)
    colours = lab_to_srgb(curve.lab(curve.scale.value(positions)))
    return tuple((float(p), hex_colour(c)) for p, c in zip(positions, colours, strict=True))


def swatch(lab: Lab) -> str:
    """Return CIELAB (D50) as a CSS colour, clipped to sRGB."""
    return hex_colour(lab_to_srgb(np.array(lab)))


def hex_colour(srgb: Array) -> str:
    """Return encoded sRGB (3,), 0 to 1, as ``#rrggbb``."""
    counts = np.round(np.clip(srgb, 0.0, 1.0) * 255).astype(int)
    return "#{:02x}{:02x}{:02x}".format(*counts)


def _place(curve: Curve, value: float | None) -> float | None:
    if value is None:
        return None
    return float(np.clip(curve.scale.position(np.clip(value, curve.scale.low, curve.scale.high)), 0.0, 1.0))


def level_ticks(curve: Curve, notation: Notation = PLAIN) -> tuple[tuple[float, str], ...]:
    """Return the levels of the standards: both ends, and those between them that have room."""
    values = sorted({curve.scale.low, curve.scale.high, *(level.value for level in curve.levels)})
    placed: list[tuple[float, float]] = []
    for value in (values[0], values[-1], *values[1:-1]):
        place = float(curve.scale.position(value))
        if all(abs(place - other) >= TICKS_APART for other, _ in placed):
            placed.append((place, value))
    return tuple((place, bound(value, curve.unit, notation)) for place, value in sorted(placed))
