"""How often a strip is called unlike its chart's: ``python -m tests.bench.dye [CHARTS PHOTOGRAPHS]``.

Simulated charts of each design and photographs on them (`tests.campaign`), of strips of the chart's batch and of
batches with less dye: share that is flagged (at most 1 % of its own), of single photographs and of two
and four strips together.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np

from calibration.common_effects import DyeLoad, dye_load, pooled
from shared.profile import read_profile
from tests.bench.samples import SAMPLES
from tests.campaign import DESIGNS, field, fits, make_lab

CHARTS, PHOTOGRAPHS = 2, 100
#: Dye as a share of the chart's batch.
DYES = (1.0, 0.88, 0.8)


def flagged(loads: Sequence[DyeLoad], together: int) -> list[bool]:
    """Whether each group of ``together`` strips is unlike the chart."""
    groups = (pooled(loads[k : k + together]) for k in range(0, len(loads) - together + 1, together))
    return [group.unlike for group in groups if group is not None]


def run(charts: int = CHARTS, photographs: int = PHOTOGRAPHS) -> None:
    """Print the shares."""
    designed = read_profile(SAMPLES / "card-run-007.txt")
    found: dict[float, list[list[DyeLoad]]] = {dye: [] for dye in DYES}
    for chart in range(charts):
        for number, design in enumerate(DESIGNS):
            rng = np.random.default_rng([number, chart, 7])
            lab = make_lab(designed, rng)
            curves = {a: f.curve for a, f in fits(lab, design, rng).items()}
            for dye, loads in found.items():
                seen = (dye_load(photo.pads, curves) for photo in field(lab, photographs, rng, dye=dye))
                loads.append([load for load in seen if load is not None])
    print(f"\nstrips unlike the chart's, {charts * len(DESIGNS)} charts, {photographs} photographs each")
    for dye, loads in found.items():
        shares = [np.mean([f for one in loads for f in flagged(one, n)]) for n in (1, 2, 4)]
        error = np.concatenate([[one.difference for one in some] for some in loads])
        print(f"dye {dye:.2f}: found {error.mean() + 1:.3f} +- {error.std():.3f}; flagged {shares[0]:.1%}, "
              f"of two strips {shares[1]:.1%}, of four {shares[2]:.1%}")


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
