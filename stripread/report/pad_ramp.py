"""The pads of a batch's standards as photographed, a column a level, under the curve's own colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.curve import Curve
from stripread.reading.calibrate import Seen
from stripread.report.picture import jpeg
from stripread.report.ramp import ramp_stops, swatch

#: Size of the drawing's parts in pixels: its width, the ramp, the room for lines and names, a row of pads.
WIDTH, RAMP, FAN, NAMES, GAP = 480.0, 26.0, 22.0, 20.0, 16.0


@dataclass(frozen=True, slots=True)
class PadColumn:
    """A level: its place on the ramp, the middle of its column, the curve's colour, a pad (or "") for each light."""

    name: str
    on_ramp: float
    middle: float
    colour: str
    pads: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PadRamp:
    """The whole drawing; ``side`` of a pad in pixels."""

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
        """Base line of the levels' names."""
        return RAMP + FAN + NAMES - 6

    def row(self, n: int) -> float:
        """Where the row of the n-th light begins, its name first; the row of the curve's own colours comes before."""
        return RAMP + FAN + NAMES + (self.side + GAP) * (n + 1)


def pad_ramp(curve: Curve, seen: Sequence[Seen]) -> PadRamp:
    """The first pad of each level under each light; several photographs of one look alike."""
    mine = [s for s in seen if curve.analyte in s.row.certified and curve.analyte in s.pads]
    lights = tuple(sorted({s.row.light for s in mine}))
    width = WIDTH / len(curve.levels)
    columns = []
    for i, level in enumerate(curve.levels):
        here = [s for s in mine if s.row.certified[curve.analyte].value == level.value]
        columns.append(PadColumn(
            name=f"{level.value:g}", on_ramp=round(float(curve.scale.position(level.value)) * WIDTH, 1),
            middle=round((i + 0.5) * width, 1), colour=swatch(level.lab),
            pads=tuple(_picture(light, here, analyte=curve.analyte) for light in lights)))
    return PadRamp(ramp_stops(curve), tuple(columns), lights, side=round(min(width - 4, 48.0), 1))


def _picture(light: str, here: Sequence[Seen], *, analyte: str) -> str:
    first = next((s for s in here if s.row.light == light), None)
    return "" if first is None else jpeg(first.pads[analyte][..., ::-1])
