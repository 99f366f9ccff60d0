"""From what was measured to a water whose charge balances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.water.composition import Vector, Water


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterReading:
    """A reading or draws of it: scalars or arrays of one shape.

    ``hardness`` and ``alkalinity`` mg/L CaCO3; ``calcium_fraction`` of the hardness, 0 to 1;
    ``chloride``, ``sodium``, ``sulfate``, ``potassium`` mg/L of the ion (None: not measured);
    ``ph`` at ``sample_temperature`` (°C).
    """

    hardness: Vector | float
    calcium_fraction: Vector | float
    alkalinity: Vector | float
    ph: Vector | float
    chloride: Vector | float
    sample_temperature: Vector | float
    sodium: Vector | float | None = None
    sulfate: Vector | float | None = None
    potassium: Vector | float | None = None


@dataclass(frozen=True, slots=True)
class ChargeBalance:
    """What had to be added to close the charge, eq/L; where the ion was measured, that is a reading error.

    ``percent``: 100 (cations - anions) / (cations + anions) before closing.
    """

    sodium_added: Vector
    sulfate_added: Vector
    percent: Vector


@dataclass(frozen=True, slots=True)
class Closed:
    """A balanced water; ``possible`` marks the readings that a real water can have."""

    water: Water
    balance: ChargeBalance
    possible: NDArray[np.bool_]


def close(reading: WaterReading, *, strict: bool = True) -> Closed:
    """Charge closed with sodium (anions exceed) or sulfate (cations exceed), carbon from the pH.

    ``strict``: a reading no water can have (more hydroxide at that pH than alkalinity) is an InputError.
    Otherwise, for Monte Carlo draws, it is marked in ``possible`` and carries no carbon.
    """
    raise NotImplementedError
