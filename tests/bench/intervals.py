"""Coverage of intervals over simulated charts: ``python -m tests.bench.intervals [CHARTS PHOTOGRAPHS FILE]``.

CHARTS are those of each design. FILE gets a line of JSON for each chart as soon as it is evaluated, so that a run that
is cut short is of use.

Strips, print runs, cameras, lights and solutions are drawn at random (`tests.campaign`). Per analyte and per design:
share of 95 % intervals that contain the true value, root mean square of z (deviation over the half interval on its
side, 1.96 of them), median width in tolerances. Per chart and analyte: the lowest coverages, since a chart's error is
shared by all its readings.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.value import PadValue
from shared.profile import read_profile
from tests.bench.corrections import TOLERANCE
from tests.bench.samples import SAMPLES
from tests.campaign import DESIGNS, Design, field, fits, make_lab, read_pads

CHARTS, PHOTOGRAPHS = 6, 400


@dataclass(frozen=True)
class Result:
    """One value read on chart ``chart`` of a design."""

    design: Design
    chart: int
    analyte: str
    true: float
    got: PadValue

    @property
    def covered(self) -> bool:
        """Whether the interval contains the true value."""
        return self.got.low <= self.true <= self.got.high

    @property
    def z(self) -> float:
        """Deviation in standard uncertainties of its side; NaN beyond an end of the range."""
        off = self.true - self.got.value
        half = self.got.high - self.got.value if off > 0 else self.got.value - self.got.low
        return 1.96 * off / half if self.got.status == "measured" and half > 0 else np.nan

    @property
    def width(self) -> float:
        """Width of the interval in tolerances."""
        share, floor = TOLERANCE[self.analyte]
        return (self.got.high - self.got.low) / max(share * self.true, floor)


def results(charts: int, photographs: int) -> Iterator[list[Result]]:
    """Chart by chart the readings on ``charts`` of each design in turn, ``photographs`` on each."""
    designed = read_profile(SAMPLES / "card-run-007.txt")
    for chart in range(charts):
        for number, design in enumerate(DESIGNS):
            rng = np.random.default_rng([number, chart])
            lab = make_lab(designed, rng)
            curves = {a: f.curve for a, f in fits(lab, design, rng).items()}
            yield [Result(design, chart, analyte, photo.true[analyte], got)
                   for photo in field(lab, photographs, rng)
                   for analyte, got in read_pads(photo.pads, curves).items()]


def line(some: Sequence[Result]) -> str:
    """One chart's figures as JSON: number of readings, coverage, rms z and median width by analyte."""
    by = {a: [r for r in some if r.analyte == a] for a in TOLERANCE}
    figures = {a: {"n": len(rs), "covered": float(np.mean([r.covered for r in rs])),
                   "z": float(np.sqrt(np.nanmean(np.array([r.z for r in rs]) ** 2))),
                   "width": float(np.median([r.width for r in rs]))} for a, rs in by.items()}
    return json.dumps({"design": str(some[0].design), "chart": some[0].chart, **figures})


def row(name: str, some: Sequence[Result]) -> str:
    """A line of the table."""
    covered = np.mean([r.covered for r in some])
    z = np.sqrt(np.nanmean(np.array([r.z for r in some]) ** 2))
    return f"{name:44}{len(some):7}{covered:9.1%}{z:8.2f}{np.median([r.width for r in some]):8.2f}"


def run(charts: int = CHARTS, photographs: int = PHOTOGRAPHS, file: str = "") -> None:
    """Print the figures; with a ``file``, each chart's go there as well."""
    found = list[Result]()
    for some in results(charts, photographs):
        found += some
        if file:
            with Path(file).open("a") as out:
                out.write(line(some) + "\n")
    print(f"\nintervals on {len(DESIGNS) * charts} simulated charts, {photographs} photographs each")
    print(f"{'':44}{'n':>7}{'covered':>9}{'rms z':>8}{'width':>8}")
    for analyte in TOLERANCE:
        print(row(analyte, [r for r in found if r.analyte == analyte]))
    for design in DESIGNS:
        print(row(str(design), [r for r in found if r.design == design]))
    pairs: dict[tuple[Design, int, str], list[bool]] = {}
    for r in found:
        pairs.setdefault((r.design, r.chart, r.analyte), []).append(r.covered)
    shares = np.sort([np.mean(v) for v in pairs.values()])
    print(f"charts and analytes with less than 91 %: {np.mean(shares < 0.91):.0%}; the lowest {shares[:3].round(2)}")


if __name__ == "__main__":
    run(*(int(word) if word.isdigit() else word for word in sys.argv[1:]))  # type: ignore[arg-type]
