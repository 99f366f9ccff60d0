"""Equilibrium constants of the carbonate system and its ion pairs, each with its source, and activity coefficients.

The calcite fit is valid from 0 to 90 °C and extrapolated above (see ``si_model_sd``). The Davies equation is used for
every ion except the five of calcite and its ion pairs. For those the ion size equation of Truesdell & Jones 1974
(J. Res. US Geol. Surv. 2:233) is used, as in PHREEQC: with the Davies equation alone, the precipitation potential of
CO2-rich or saline waters (ionic strength above 0.01) differs from PHREEQC's by up to 5 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from shared.water.composition import Vector

ZERO_CELSIUS_K: Final = 273.15
_25_CELSIUS_K: Final = 298.15
#: Gas constant, kcal/(mol K): the enthalpies below are tabulated in kcal.
_R_KCAL: Final = 1.987204e-3
_LN10: Final = float(np.log(10.0))

_PB82: Final = "Plummer & Busenberg 1982, Geochim. Cosmochim. Acta 46:1011"
_N90: Final = "Nordstrom et al. 1990, ACS Symposium Series 416:398"
_PHREEQC: Final = "Parkhurst & Appelo 2013, USGS Techniques and Methods 6-A43, phreeqc.dat"


@dataclass(frozen=True, slots=True)
class Analytic:
    """log10 K = a + bT + c/T + d log10 T + e/T^2 + f T^2, T in kelvin."""

    coefficients: tuple[float, float, float, float, float, float]
    source: str

    def log10(self, t_k: Vector) -> Vector:
        """Return log10 K at ``t_k``."""
        a, b, c, d, e, f = self.coefficients
        return np.asarray(a + b * t_k + c / t_k + d * np.log10(t_k) + e / t_k**2 + f * t_k**2)


@dataclass(frozen=True, slots=True)
class VantHoff:
    """log10 K from its value at 25 °C and a constant reaction enthalpy (kcal/mol)."""

    log_k25: float
    enthalpy: float
    source: str

    def log10(self, t_k: Vector) -> Vector:
        """Return log10 K at ``t_k``."""
        return np.asarray(self.log_k25 + self.enthalpy / (_R_KCAL * _LN10) * (1 / _25_CELSIUS_K - 1 / t_k))


#: Dissociation, solubility and, from "ca_hco3" on, formation of each ion pair from its free ions.
REACTIONS: Final[dict[str, Analytic | VantHoff]] = {
    # first dissociation of carbonic acid, CO2 and H2CO3 counted together
    "k1": Analytic((-356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0, 0), _PB82),
    # second
    "k2": Analytic((-107.8871, -0.03252849, 5151.79, 38.92561, -563713.9, 0), _PB82),
    # of water
    "kw": Analytic((293.29227, 0.1360833, -10576.913, -123.73158, 0, -6.996455e-5), _PHREEQC),
    # solubility of CO2, mol/(kg atm)
    "kh": Analytic((108.3865, 0.01985076, -6919.53, -40.45154, 669365.0, 0), _PB82),
    "calcite": Analytic((-171.9065, -0.077993, 2839.319, 71.595, 0, 0), _PB82),
    "ca_hco3": Analytic((1209.120, 0.31294, -34765.05, -478.782, 0, 0), _PB82),
    "ca_co3": Analytic((-1228.732, -0.299440, 35512.75, 485.818, 0, 0), _PB82),
    "mg_hco3": Analytic((-59.215, 0, 2537.455, 20.92298, 0, 0), "Siebert & Hostetler 1977, Am. J. Sci. 277:697"),
    "mg_co3": Analytic((0.9910, 0.00667, 0, 0, 0, 0), "Siebert & Hostetler 1977, Am. J. Sci. 277:716"),
    "na_hco3": VantHoff(-0.25, -1.0, _PHREEQC),
    "na_co3": VantHoff(1.27, 8.91, _N90),
    "ca_so4": VantHoff(2.25, 1.325, _PHREEQC),
    "mg_so4": VantHoff(2.37, 4.55, _N90),
    "na_so4": VantHoff(0.7, 1.12, _N90),
    "h_so4": Analytic((-56.889, 0.006473, 2307.9, 19.8858, 0, 0), _N90),
    # hydrolysis; no enthalpy is tabulated for calcium
    "ca_oh": VantHoff(-12.78, 0, _N90),
    # Palmer & Wesolowski 1997, J. Solution Chem. 26:217 agrees within 0.1 at 125 °C
    "mg_oh": VantHoff(-11.44, 15.952, _N90),
}


def equilibrium_constants(t_c: Vector) -> dict[str, Vector]:
    """Return every constant of ``REACTIONS`` at ``t_c`` (°C), activity scale (mol/kg, atm)."""
    return dict(_at_one(float(t_c[0]))) if t_c.size == 1 else _constants(t_c)


@lru_cache(maxsize=64)
def _at_one(t_c: float) -> dict[str, Vector]:
    """Constants at one temperature, cached because a boiler's is used repeatedly."""
    return _constants(np.array([t_c]))


def _constants(t_c: Vector) -> dict[str, Vector]:
    t_k = t_c + ZERO_CELSIUS_K
    return {name: 10.0 ** reaction.log10(t_k) for name, reaction in REACTIONS.items()}


#: mol/L up to which the Davies equation is used.
DAVIES_LIMIT: Final = 0.5
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
