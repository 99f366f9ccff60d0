"""From measured values to a water with balanced charge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared.errors import InputError
from shared.water import molar
from shared.water.acid_base import at_ph
from shared.water.composition import Vector, Water
from shared.water.equilibrium import equilibrate

#: mol/L, about 8.8 g/L: more than in any carbonated drink (common practice, no source).
_MOST_CO2: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterReading:
    """Measured values or draws of them: scalars or arrays of one shape.

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
    """Sodium or sulfate added to balance the charge, eq/L.

    It represents ions that were not measured; if that ion was measured, it is a measurement error (or another ion, such
    as nitrate). ``percent``: 100 (cations - anions) / (cations +
    anions) before closing, as Standard Methods 1030 E judges it.
    """

    sodium_added: Vector
    sulfate_added: Vector
    percent: Vector


@dataclass(frozen=True, slots=True)
class BalancedWater:
    """A balanced water; ``possible``: values that a real water can have."""

    water: Water
    balance: ChargeBalance
    possible: NDArray[np.bool_]


def balance_charge(reading: WaterReading, *, strict: bool = True) -> BalancedWater:
    """Return the water with sodium added (anions exceed) or sulfate (cations exceed), and carbon from the pH.

    ``strict``: impossible values (more hydroxide at that pH than alkalinity, or more CO2 than a carbonated drink) raise
    InputError. Otherwise, for Monte Carlo draws, they are marked in ``possible``; with too much hydroxide the carbon is
    0.
    """
    balanced, balance = _balanced(_ions(reading))
    ph = np.asarray(reading.ph, dtype=np.float64)
    s = equilibrate(balanced, reading.sample_temperature, closure=at_ph, ph=ph)
    possible = (s.carbon >= 0) & (s.co2 <= _MOST_CO2)
    if strict and not possible.all():
        raise _impossible(balanced.alkalinity_caco3, ph, which=~possible)
    return BalancedWater(balanced.with_(carbon=np.maximum(s.carbon, 0.0)), balance, possible)


def _ions(reading: WaterReading) -> Water:
    """The measured ions, without carbon; ions that were not measured are 0."""

    def mol(mg_l: Vector | float | None, molar_mass: float) -> Vector:
        return np.asarray(0.0 if mg_l is None else mg_l, dtype=np.float64) / (1e3 * molar_mass)

    hardness = np.asarray(reading.hardness, dtype=np.float64) / molar.MG_CACO3_PER_MOL
    fraction = np.asarray(reading.calcium_fraction, dtype=np.float64)
    return Water(
        ca=hardness * fraction,
        mg=hardness * (1 - fraction),
        na=mol(reading.sodium, molar.NA),
        k=mol(reading.potassium, molar.K),
        cl=mol(reading.chloride, molar.CL),
        so4=mol(reading.sulfate, molar.SO4),
        alkalinity=np.asarray(reading.alkalinity, dtype=np.float64) / molar.MG_CACO3_PER_EQ,
        carbon=np.asarray(0.0),
    )


def _balanced(ions: Water) -> tuple[Water, ChargeBalance]:
    excess = ions.charge
    cations = 2 * (ions.ca + ions.mg) + ions.na + ions.k
    anions = cations - excess
    sodium, sulfate = np.maximum(-excess, 0.0), np.maximum(excess, 0.0)
    sum_ = np.where(cations + anions > 0, cations + anions, 1.0)
    water = ions.with_(na=ions.na + sodium, so4=ions.so4 + sulfate / 2)
    return water, ChargeBalance(sodium, sulfate, 100 * excess / sum_)


def _impossible(alkalinity: Vector, ph: Vector, *, which: NDArray[np.bool_]) -> InputError:
    first_alkalinity, first_ph = (np.broadcast_to(a, which.shape)[which].flat[0] for a in (alkalinity, ph))
    return InputError(
        "impossible combination of pH and alkalinity",
        where="pH and alkalinity",
        found=f"pH {first_ph:.2f} with {first_alkalinity:.3g} mg/L CaCO3",
        allowed="an alkalinity of at least the hydroxide at that pH, and no more CO2 than in a carbonated drink",
        remedy="measure pH and alkalinity again",
    )
