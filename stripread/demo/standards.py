"""Standard solutions and check standards of a batch, as the analyst photographs them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from calibration.standards import Certified, StandardRow
from shared.strip import default_strip
from stripread.demo.dyes import INDICATORS

#: Lights under which the standards are photographed (CIE), by the name in the table; and those of the check standards.
LIGHTS: Final = {"window": "D65", "cool-led": "LED-B5", "warm-led": "LED-B2"}
CHECK_LIGHTS: Final = {"window": "D65", "office-tube": "FL8"}
#: Levels of the solutions; each solution takes one of each analyte, from another place in its list.
_LEVELS: Final = {**{a: i.levels for a, i in INDICATORS.items()},
                  "ph": (6.0, 6.5, 7.0, 7.2, 7.4, 7.6, 7.8, 8.2, 8.6, 9.0)}
_SOLUTIONS: Final = 10
_START: Final = {"hardness": 0, "alkalinity": 3, "ph": 7, "chloride": 5, "chlorine": 8}
#: Standard uncertainty: a share of the value and of the range; of pH in its own unit.
_RELATIVE_U, _RANGE_U, _PH_U = 0.006, 0.0001, 0.01
#: Check standards: three levels of each analyte, none of them a level of the fit.
CHECKS: Final = {
    "C1": {"hardness": 60.0, "alkalinity": 50.0, "ph": 7.1, "chloride": 30.0, "chlorine": 0.3},
    "C2": {"hardness": 130.0, "alkalinity": 100.0, "ph": 7.5, "chloride": 80.0, "chlorine": 0.7},
    "C3": {"hardness": 260.0, "alkalinity": 180.0, "ph": 8.0, "chloride": 180.0, "chlorine": 1.5},
}


@dataclass(frozen=True, slots=True)
class PhotographedStandard:
    """A photograph of a standard solution: its name in the table, the light's name and CIE lamp, and its values."""

    standard: str
    role: str
    light: str
    lamp: str
    values: dict[str, float]

    def row(self, photo: Path) -> StandardRow:
        """Return the row of the standards table."""
        return StandardRow(photo, self.standard, self.role, self.light,
                           {a: Certified(v, _u(a, v)) for a, v in self.values.items()})


def solutions() -> Iterator[PhotographedStandard]:
    """Return the photographs of a batch's standards, each solution under each light."""
    for n in range(_SOLUTIONS):
        values = {a: levels[(_START[a] + n) % _SOLUTIONS] for a, levels in _LEVELS.items()}
        yield from (PhotographedStandard(f"S{n:02}", "standard", light, lamp, values) for light, lamp in LIGHTS.items())


def release_checks() -> Iterator[PhotographedStandard]:
    """Return the photographs of the check standards for the release of a chart."""
    for name, values in CHECKS.items():
        yield from (PhotographedStandard(name, "check", light, lamp, values) for light, lamp in CHECK_LIGHTS.items())


def table_text(photographs: dict[str, PhotographedStandard]) -> str:
    """Return the standards table (CSV) of photographs by file name."""
    pads = default_strip().pads
    columns = [f"{name} [{p.unit}]" if p.unit != "pH" else name
               for p in pads for name in (p.analyte, f"u({p.analyte})")]
    lines = [",".join(("photo,standard,role,light", *columns))]
    for photo, s in photographs.items():
        cells = [f"{number:g}" for p in pads for number in (s.values[p.analyte], _u(p.analyte, s.values[p.analyte]))]
        lines.append(",".join((photo, s.standard, s.role, s.light, *cells)))
    return "\n".join(lines) + "\n"


def _u(analyte: str, value: float) -> float:
    return _PH_U if analyte == "ph" else round(_RELATIVE_U * value + _RANGE_U * _LEVELS[analyte][-1], 4)
