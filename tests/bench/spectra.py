"""How smooth the spectra of pads are taken to be: ``python -m tests.bench.spectra [CHARTS]``, CHARTS of each design.

Curves are fitted to simulated standards (`tests.campaign`) with several correlation lengths of reflectance. Printed
for each: the log marginal likelihood of the standards, a chart, less that of the length in use.
"""

from __future__ import annotations

import sys
from itertools import product
from unittest.mock import patch

import numpy as np

from calibration import gaussian_process
from calibration.reflectance import CORRELATION_NM, prior_variance
from shared.profile import read_profile
from tests.bench.samples import SAMPLES
from tests.campaign import DESIGNS, fits, make_lab

LENGTHS_NM = (25.0, 35.0, CORRELATION_NM, 70.0)


def log_likelihood(length_nm: float, charts: int) -> float:
    """Of all standards, a chart, with reflectances of that correlation length."""
    designed, found = read_profile(SAMPLES / "card-run-007.txt"), list[float]()
    with patch.object(gaussian_process, "PRIOR_VARIANCE", prior_variance(length_nm)):
        for number, chart in product(range(len(DESIGNS)), range(charts)):
            rng = np.random.default_rng([11, number, chart])
            processes = [fit.process for fit in fits(make_lab(designed, rng), DESIGNS[number], rng).values()]
            found.append(sum(process.trial(process.shape)[0] for process in processes))
    return float(np.mean(found))


def run(charts: int = 1) -> None:
    """Print the figures."""
    found = {length: log_likelihood(length, charts) for length in LENGTHS_NM}
    print(f"\nlog likelihood of the standards of a chart by correlation length, less that of {CORRELATION_NM:g} nm")
    for length, value in found.items():
        print(f"{length:4g} nm{value - found[CORRELATION_NM]:8.1f}")


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
