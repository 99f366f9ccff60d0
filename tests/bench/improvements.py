"""Whether what a calibration report promises comes true: ``python -m tests.bench.improvements [CHARTS PHOTOGRAPHS]``.

Charts of two lights and one strip a level are simulated (`tests.campaign`); `uncertainty_reduction` foretells what one
more light, and one more strip of each standard, leave of a reading's variance. The same charts with these photographs
are then fitted. Printed for each move and analyte: the variance after it as a share of that before, as foretold, as the
extended chart states it of field photographs, and as their errors show it (these scatter by some 0.15).
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np

from calibration.fit import CurveFit, fitted
from calibration.observation import StandardObservation
from calibration.uncertainty_reduction import Gain, Kind, gain
from shared.profile import read_profile
from tests.bench.corrections import TOLERANCE
from tests.bench.samples import SAMPLES
from tests.campaign import Design, FieldPhoto, field, make_lab, read_pads, standards
from tests.synthetic import STRIP

CHARTS, PHOTOGRAPHS = 6, 60
#: A design that contains the photographs of each move, and how many of them a standard has before it and after it.
MOVES: dict[Kind, Design] = {"light": Design(3, 1, 1), "replicates": Design(2, 2, 1)}
BEFORE, AFTER = 2, 3


def first(photographs: int, seen: Sequence[StandardObservation]) -> list[StandardObservation]:
    """The first photographs of each standard."""
    return [s for s in seen if int(s.photo.rsplit("-", 1)[1]) < photographs]


def fit_of(analyte: str, seen: Sequence[StandardObservation]) -> CurveFit:
    """The curve of an analyte."""
    return fitted(analyte, STRIP.pad(analyte).unit, seen)


def budget(fit: CurveFit) -> Gain:
    """What a reading on the curve is made of."""
    return gain(fit, STRIP.pad(fit.curve.analyte).chemistry)


def variances(fits: dict[str, CurveFit], photos: Sequence[FieldPhoto]) -> dict[str, tuple[float, float]]:
    """Stated variance and mean square of the errors by analyte, in tolerances, without the largest tenth of either."""
    curves = {a: f.curve for a, f in fits.items()}
    found: dict[str, list[tuple[float, float]]] = {}
    for photo in photos:
        for a, got in read_pads(photo.pads, curves).items():
            tolerance = max(TOLERANCE[a][0] * photo.true[a], TOLERANCE[a][1])
            stated = sum(part.u**2 for part in got.budget)
            found.setdefault(a, []).append((stated / tolerance**2, ((got.value - photo.true[a]) / tolerance) ** 2))
    return {a: tuple(np.sort(both, axis=0)[: int(0.9 * len(both))].mean(axis=0)) for a, both in found.items()}


def run(charts: int = CHARTS, photographs: int = PHOTOGRAPHS) -> None:
    """Print the changes."""
    designed = read_profile(SAMPLES / "card-run-007.txt")
    print(f"\nvariance of a reading after a move, as a share of that before; {charts} simulated charts")
    print(f"{'':24}{'foretold':>10}{'stated':>10}{'errors':>10}")
    for kind, design in MOVES.items():
        rows: dict[str, list[tuple[float, ...]]] = {a: [] for a in TOLERANCE}
        for chart in range(charts):
            rng = np.random.default_rng([chart, 11])
            lab = make_lab(designed, rng)
            seen, photos = standards(lab, design, rng), list(field(lab, photographs, rng))
            old, new = ({a: fit_of(a, first(n, s)) for a, s in seen.items()} for n in (BEFORE, AFTER))
            was, now = variances(old, photos), variances(new, photos)
            for a, fit in old.items():
                foretold = budget(fit)
                after = next(m.u for m in foretold.moves if m.kind == kind)
                rows[a].append(((after / foretold.u) ** 2, *was[a], *now[a]))
        for name, some in {**rows, "all": [row for each in rows.values() for row in each]}.items():
            foretold_, stated, errors, stated_now, errors_now = np.mean(some, axis=0)
            print(f"{f'{kind}, {name}':24}{foretold_:10.2f}{stated_now / stated:10.2f}{errors_now / errors:10.2f}")


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
