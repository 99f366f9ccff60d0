"""How well curves foretell standards beyond their last level: ``python -m tests.bench.extension [CHARTS]``.

Simulated charts (`tests.campaign`) are cut after each level but the first three and the last; every photograph beyond
is compared with the extended curve. Chi-square of its three signals per degree of freedom is 1 on average, and 5 % lie
outside their 95 % region, where the extension is as uncertain as stated.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from calibration.fit import fitted
from calibration.gaussian_process import SpectralGP
from calibration.observation import StandardObservation, outer
from calibration.reflectance import load_derivative
from shared.profile import read_profile
from tests.bench.samples import SAMPLES
from tests.campaign import Design, make_lab, standards

#: Distances beyond the last level, shares of the range, and the 95 % point of chi-square with 3 degrees of freedom.
DISTANCES, REGION = (0.0, 0.25, 0.5, 1.0, 2.0), 7.815


def beyond(seen: Sequence[StandardObservation]) -> Iterator[tuple[float, float]]:
    """Distance of each photograph beyond a cut curve's last level, share of its range, and its chi-square."""
    levels = sorted({s.value for s in seen})
    for last in levels[3:-1]:
        process = fitted(seen[0].pad.analyte, "", [s for s in seen if s.value <= last]).process
        for standard in (s for s in seen if s.value > last):
            yield (standard.value - last) / (last - levels[0]), chi_square(process, standard)


def chi_square(process: SpectralGP, standard: StandardObservation) -> float:
    """Of a photograph's signals about the extended curve."""
    at, pad, shape = process.scale.position(np.array([standard.value])), standard.pad, process.shape
    weights, h, response = process.at(at)[0], pad.response.mean[:, 1:], pad.response
    whole = (h @ process.covariance_at(at)[0] @ h.T + pad.pixel + pad.field
             + outer(h @ load_derivative(weights) * shape.load) + outer(response.white * shape.veil)
             + np.diag(response.variance(response.correction + response.mismatch, weights)
                       + (shape.texture * pad.signal) ** 2))
    off = pad.signal - response.signal(weights)
    return float(off @ np.linalg.solve(whole, off))


def run(charts: int = 2) -> None:
    """Print the figures."""
    designed, found = read_profile(SAMPLES / "card-run-007.txt"), list[tuple[float, float]]()
    for chart in range(charts):
        rng = np.random.default_rng([7, chart])
        for seen in standards(make_lab(designed, rng), Design(2, 1, 1), rng).values():
            found += beyond(seen)
    print(f"\nextension of {charts} simulated charts\n{'ranges beyond':16}{'n':>6}{'chi2 / 3':>10}{'outside 95 %':>14}")
    for low, high in pairwise(DISTANCES):
        some = np.array([chi for distance, chi in found if low < distance <= high])
        print(f"{low:g} to {high:<11g}{len(some):6}{some.mean() / 3:10.2f}{(some > REGION).mean():14.0%}")


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
