"""How smooth spectra are: ``python -m tests.bench.spectra [CHARTS]``, CHARTS of each design.

Printed by correlation length of reflectance, as log likelihood less the highest: of measured spectra of a colour chart,
a patch (ISO 17321-1, 24 patches, in colour-science); and of simulated standards (`tests.campaign`), a chart, with
lengths that are fixed and that are estimated.
"""

from __future__ import annotations

import sys
from itertools import product
from unittest.mock import patch

import colour
import numpy as np

from calibration import gaussian_process
from calibration.reflectance import PRIOR_MEAN
from shared.colour import WAVELENGTHS_NM
from shared.profile import read_profile
from tests.bench.samples import SAMPLES
from tests.campaign import DESIGNS, fits, make_lab
from tests.simulator import Array

LENGTHS_NM = (25.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 70.0)
FIXED_NM = (35.0, 45.0, 60.0, 80.0)
#: What a measured spectrum scatters by itself, share of white.
_NOISE = 0.01
#: Standard deviations of the process; the likeliest counts.
_SDS = (0.15, 0.2, 0.25, 0.3, 0.4)


def of_patches(length_nm: float) -> float:
    """Log likelihood of measured spectra, a patch, of a process with that correlation length."""
    spectra = colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()
    off = np.array([np.interp(WAVELENGTHS_NM, s.wavelengths, s.values) for s in spectra]) - PRIOR_MEAN
    alike = np.exp(-0.5 * ((WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM) / length_nm) ** 2)
    return max(_log_density(off, sd**2 * alike + _NOISE**2 * np.eye(len(alike))) for sd in _SDS)


def _log_density(off: Array, covariance: Array) -> float:
    square = np.einsum("ni,ij,nj->", off, np.linalg.inv(covariance), off) / len(off)
    return float(-0.5 * square - 0.5 * np.linalg.slogdet(covariance)[1])


def of_standards(charts: int, length_nm: float | None) -> float:
    """Log likelihood of simulated standards, a chart, with that correlation length; None: as estimated."""
    designed, found = read_profile(SAMPLES / "card-run-007.txt"), list[float]()
    *others, free = gaussian_process.BOUNDS
    bounds = (*others, free if length_nm is None else (length_nm, length_nm))
    with patch.object(gaussian_process, "BOUNDS", bounds):
        for number, chart in product(range(len(DESIGNS)), range(charts)):
            rng = np.random.default_rng([11, number, chart])
            processes = [fit.process for fit in fits(make_lab(designed, rng), DESIGNS[number], rng).values()]
            found.append(sum(process.trial(process.shape)[0] for process in processes))
    return float(np.mean(found))


def run(charts: int = 1) -> None:
    """Print the figures."""
    patches = {f"{length:g} nm": of_patches(length) for length in LENGTHS_NM}
    standards = {f"{length:g} nm": of_standards(charts, length) for length in FIXED_NM}
    standards["estimated"] = of_standards(charts, None)
    for title, found in (("measured patches, a patch", patches), ("simulated standards, a chart", standards)):
        print(f"\nlog likelihood by correlation length, less the highest: {title}")
        for name, value in found.items():
            print(f"{name:>10}{value - max(found.values()):8.1f}")


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
