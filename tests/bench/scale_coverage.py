"""How often the 95 % interval of the scale contains the full calculation, over 1000 full analyses: ``make soak``."""

from __future__ import annotations

import sys

import numpy as np

from assess.equipment import load_equipment
from tests.assess.full_analyses import covered

_WATERS = 1000
#: Accepted coverage of 95 % intervals over this number of waters.
_LEAST, _MOST = 0.93, 0.97


def run() -> bool:
    """Print the share for each boiler; whether all lie where they should."""
    machine = load_equipment("two-boiler-espresso")
    shares = np.mean(covered(_WATERS, machine), axis=0)
    for boiler, share in zip(machine.boilers, shares, strict=True):
        print(f"scale at {boiler.name}: {100 * share:.1f} % of {_WATERS} intervals contain the full calculation "
              f"({100 * _LEAST:.0f} to {100 * _MOST:.0f})")
    return bool(np.all((shares >= _LEAST) & (shares <= _MOST)))


if __name__ == "__main__":
    sys.exit(not run())
