"""Whether what a calibration report promises comes true: ``python -m tests.bench.improvements [CHARTS PHOTOGRAPHS]``.

Charts of two lights and one strip a level are simulated (`tests.campaign`); `uncertainty_reduction` predicts what one
more light, and one more strip of each standard, leave of a reading's variance. The same charts with these photographs
are then fitted. Only the chart's part changes, and its error is known without the scatter of readings: pads with the
true reflectance, recorded without noise by photographs on site, each of a camera and a light of its own.
Printed for each move and analyte, at the level of the report: the variance after it as a share of that before, as
predicted and as observed (stated variance without the chart's part, with the mean square of the chart's errors), and
that mean square as a share of the stated one; with standard errors over the charts.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.common_effects import usual_veil
from calibration.fit import CurveFit, fitted
from calibration.observation import PadObservation, StandardObservation
from calibration.reflectance import FROM_SPECTRUM, PRIOR_MEAN
from calibration.uncertainty_reduction import Gain, Kind, gain
from calibration.value import value_of
from shared.analytes import ANALYTES
from shared.profile import read_profile
from tests import simulator
from tests.bench.corrections import TOLERANCE
from tests.bench.samples import SAMPLES
from tests.campaign import VEIL, Design, Lab, make_lab, photograph, standards
from tests.simulator import Array, Rng
from tests.synthetic import STRIP

CHARTS, PHOTOGRAPHS = 12, 12
#: A design that contains the photographs of each move, and how many of them a standard has before it and after it.
MOVES: dict[Kind, Design] = {"light": Design(3, 1, 1), "replicates": Design(2, 2, 1)}
BEFORE, AFTER = 2, 3


def first(photographs: int, seen: Sequence[StandardObservation]) -> list[StandardObservation]:
    """The first photographs of each standard."""
    return [s for s in seen if int(s.photo.rsplit("-", 1)[1]) < photographs]


@dataclass(frozen=True)
class Outcome:
    """Variances of a reading of an analyte on one chart, in units of that before the move as predicted.

    ``predicted`` after it; stated ones without the chart's part (``rest``), of the chart (``stated``), and mean square
    of the chart's ``errors``, the last two before and after.
    """

    predicted: float
    rest: float
    stated: tuple[float, float]
    errors: tuple[float, float]


def outcomes(kind: Kind, chart: int, photographs: int) -> Iterator[tuple[str, Outcome]]:
    """What was predicted of a chart, and what the photographs bring, by analyte."""
    rng = np.random.default_rng([chart, 11])
    lab = make_lab(read_profile(SAMPLES / "card-run-007.txt"), rng)
    seen, site = standards(lab, MOVES[kind], rng), rng.spawn(1)[0]
    old, new = ({a: fitted(a, STRIP.pad(a).unit, first(n, s)) for a, s in seen.items()} for n in (BEFORE, AFTER))
    promised = {a: gain(fit, STRIP.pad(a).chemistry) for a, fit in old.items()}
    photos = list(pads_on_site(lab, promised, photographs, site))
    for a, predicted in promised.items():
        before, after = (chart_part(a, predicted.value, fits[a], [pads[a] for pads in photos]) for fits in (old, new))
        whole = predicted.u**2
        yield a, Outcome(next(m.u for m in predicted.moves if m.kind == kind) ** 2 / whole, before[0] / whole,
                         (before[1] / whole, after[1] / whole), (before[2] / whole, after[2] / whole))


def pads_on_site(lab: Lab, promised: dict[str, Gain], n: int, rng: Rng) -> Iterator[dict[str, PadObservation]]:
    """Pads of the reports' levels with their true signals, as photographs on site record them."""
    values = {a: predicted.value for a, predicted in promised.items()}
    for _ in range(n):
        light = simulator.mixed_light(simulator.SITE_LAMPS, rng)
        pads = photograph(lab, light, values, (simulator.camera(rng), rng))
        yield {a: replace(pad, signal=pad.response.signal(true_weights(lab, a, values[a]))) for a, pad in pads.items()}


def true_weights(lab: Lab, analyte: str, value: float) -> Array:
    """Coefficients (12,) of a pad's reflectance with the usual veil."""
    return np.asarray(FROM_SPECTRUM @ (lab.dyes[analyte].reflectance(value, 1.0)[::2] + VEIL - PRIOR_MEAN))


def chart_part(analyte: str, true: float, fit: CurveFit, pads: Sequence[PadObservation]) -> tuple[float, float, float]:
    """Variance of readings but for the chart's part, that part as stated, and the mean square of its errors."""
    limits, veil = ANALYTES[analyte], usual_veil({analyte: fit.curve})
    found = [value_of(pad, fit.curve, STRIP.pad(analyte).chemistry, (limits.lower, limits.upper), veil) for pad in pads]
    budgets = [{part.name: part.u**2 for part in value.budget} for value in found]
    stated = trimmed([budget["chart"] for budget in budgets])
    return (trimmed([sum(budget.values()) - budget["chart"] for budget in budgets]), stated,
            trimmed([(value.value - true) ** 2 for value in found]))


def trimmed(values: Sequence[float]) -> float:
    """Mean without the largest tenth: under some lamp the signals of a curve may hardly change."""
    return float(np.sort(values)[: int(0.9 * len(values))].mean())


def shares(some: Sequence[Outcome]) -> tuple[float, float, float]:
    """The variance after the move as predicted and as observed, and the chart's errors by what is stated."""
    rest, before, after = np.mean([(o.rest, *o.errors) for o in some], axis=0)
    stated = np.mean([o.stated for o in some])
    return (float(np.mean([o.predicted for o in some])), float((rest + after) / (rest + before)),
            float(np.mean([o.errors for o in some]) / stated))


def run(charts: int = CHARTS, photographs: int = PHOTOGRAPHS) -> None:
    """Print the changes."""
    print(f"\nvariance of a reading after a move, as a share of that before; {charts} simulated charts")
    print(f"{'':24}{'predicted':>18}{'observed':>18}{'errors / stated':>18}")
    for kind in MOVES:
        found = [dict(outcomes(kind, chart, photographs)) for chart in range(charts)]
        for name, analytes in {**{a: (a,) for a in TOLERANCE}, "all": tuple(TOLERANCE)}.items():
            rows = [[by_analyte[a] for a in analytes] for by_analyte in found]
            whole = shares([o for row in rows for o in row])
            # Jackknife over charts: Efron and Stein, Ann. Stat. 9:586, 1981.
            left = np.array([shares([o for other in rows if other is not row for o in other]) for row in rows])
            u = np.sqrt((charts - 1) * left.var(axis=0))
            print(f"{f'{kind}, {name}':24}" + "".join(f"{v:>9.3f} ± {d:.3f} " for v, d in zip(whole, u, strict=True)))


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
