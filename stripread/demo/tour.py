"""Photographs of the quick tour: the standards of one batch, and one strip at each of three sites."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from stripread.demo.company import PHONES, water_at
from stripread.demo.dyes import BATCHES
from stripread.demo.printing import profile_text
from stripread.demo.render import Shot, render
from stripread.demo.standards import PhotographedStandard, solutions, table_text

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
