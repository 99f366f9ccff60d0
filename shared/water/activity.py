"""Activity coefficients in dilute water.

The Davies equation is used for every ion except the five of calcite and its ion pairs. For those the ion size equation
of Truesdell & Jones 1974 (J. Res. US Geol. Surv. 2:233) is used, as in PHREEQC: with the Davies equation alone, the
precipitation potential of CO2-rich or saline waters (ionic strength above 0.01) differs from PHREEQC's by up to 5 %.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from shared.water.composition import Vector
from shared.water.constants import ZERO_CELSIUS_K

#: mol/L up to which the Davies equation is used.
DAVIES_LIMIT: Final = 0.5
_LN10: Final = float(np.log(10.0))
#: Charge, ion size (Å) and linear term (kg/mol) of Truesdell & Jones 1974, as in phreeqc.dat.
_CALCIUM: Final = (2, 5.0, 0.165)
_MAGNESIUM: Final = (2, 5.5, 0.20)
_SULFATE: Final = (2, 5.0, -0.04)
_BICARBONATE: Final = (1, 5.4, 0.0)
_CARBONATE: Final = (2, 5.4, 0.0)
_SIZES: Final = frozenset(ion[1] for ion in (_CALCIUM, _MAGNESIUM, _SULFATE, _BICARBONATE, _CARBONATE))


class Slopes(NamedTuple):
    """Debye-Hückel A (kg/mol)^1/2 and B (kg/mol)^1/2 / Å at a temperature."""

    a: Vector
    b: Vector


class Activity(NamedTuple):
    """Coefficients of uncharged species, of the named ions and of any other monovalent ion."""

    neutral: Vector
    single: Vector
    hco3: Vector
    co3: Vector
    ca: Vector
    mg: Vector
    so4: Vector


def debye_huckel(t_c: Vector) -> Slopes:
    """A = 1.82e6 (E T)^-1.5 and B = 50.29 (E T)^-0.5 with the permittivity E = 60954/(T + 116) - 68.937.

    A and E as in Standard Methods 2330 B.
    """
    t_k = t_c + ZERO_CELSIUS_K
    permittivity_t = (60954.0 / (t_k + 116.0) - 68.937) * t_k
    return Slopes(np.asarray(1.82e6 * permittivity_t**-1.5), np.asarray(50.29 * permittivity_t**-0.5))


def activity(ionic_strength: Vector, slopes: Slopes) -> Activity:
    """Return coefficients at ``ionic_strength`` (mol/L); 0.1 I for uncharged species."""
    root = np.sqrt(ionic_strength)
    slope = -_LN10 * slopes.a * root
    # Ions of one size share the first term, per square of charge.
    per_charge = {size: slope / (1 + slopes.b * size * root) for size in _SIZES}

    def sized(ion: tuple[int, float, float]) -> Vector:
        charge, size, linear = ion
        exponent = charge**2 * per_charge[size]
        return np.asarray(np.exp(exponent + (_LN10 * linear) * ionic_strength if linear else exponent))

    return Activity(
        neutral=np.exp((0.1 * _LN10) * ionic_strength),
        single=np.exp(slope * (1 / (1 + root) - 0.3 * root)),
        hco3=sized(_BICARBONATE),
        co3=sized(_CARBONATE),
        ca=sized(_CALCIUM),
        mg=sized(_MAGNESIUM),
        so4=sized(_SULFATE),
    )
