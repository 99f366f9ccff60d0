"""Photographs of standard solutions and check standards as the analyst takes them, and those of the quick tour."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from calibration.standards import CertifiedValue, StandardRow
from shared.strip import default_strip
from stripread.demo.company import PHONES, water_at
from stripread.demo.dyes import BATCHES, INDICATORS
from stripread.demo.printing import profile_text
from stripread.demo.render import Shot, render

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
                           {a: CertifiedValue(v, _u(a, v)) for a, v in self.values.items()})


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


BATCH: Final = BATCHES[0]
#: Sampling points of the tour, day of the year, and what the water is.
STOPS: Final = {"orchard-steps": ("orchard-steps/tap", 160, "water that suits the machine"),
                "chalkstep-corner": ("chalkstep-corner/tap", 160, "hard, scaling water"),
                "saltmarrow-quay": ("saltmarrow-quay/tap", 220, "water high in chloride")}


@dataclass(frozen=True, slots=True)
class TourShot:
    """A photograph to render, and the file it goes to."""

    shot: Shot
    path: Path


def standard_shots(folder: Path, batch: str, made: datetime) -> Iterator[tuple[TourShot, PhotographedStandard]]:
    """Return the photographs of a batch's standards, taken by the analyst in the minutes before ``made``."""
    for n, solution in enumerate(solutions()):
        shot = Shot(n, solution.values, batch, PHONES["phone-bench"][0], made - timedelta(minutes=90 - n),
                    solution.lamp)
        yield TourShot(shot, folder / f"{solution.standard}-{solution.light}.jpg"), solution


def site_shots(folder: Path, at: datetime) -> list[TourShot]:
    """Return the photographs of the three sites."""
    return [TourShot(Shot(n, water_at(point, day), BATCH, PHONES["phone-road"][0], at), folder / f"{site}.jpg")
            for n, (site, (point, day, _)) in enumerate(STOPS.items(), 100)]


def write_shots(shots: Iterable[TourShot]) -> Iterator[Path]:
    """Render photographs to their files; yield their paths as they are written."""
    for one in shots:
        one.path.parent.mkdir(parents=True, exist_ok=True)
        one.path.write_bytes(render(one.shot))
        yield one.path


def write_table(folder: Path, taken: Sequence[tuple[TourShot, PhotographedStandard]]) -> Path:
    """Write the standards table of photographs; return its path."""
    path = folder / "standards.csv"
    path.write_text(table_text({one.path.name: solution for one, solution in taken}), encoding="utf-8")
    return path


def write_profile(folder: Path) -> Path:
    """Write the profile of the company's print run; return its path."""
    path = folder / "card-profile.txt"
    path.write_text(profile_text(), encoding="ascii")
    return path
