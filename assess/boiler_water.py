"""Water in a steam boiler, scale aside: alkalinity that causes foam and carryover, magnesium hydroxide."""

from __future__ import annotations

from typing import Final

import numpy as np

from assess.criteria.quantities import cycles_within
from assess.draws import Feed
from assess.equipment import Boiler
from shared.water import Vector
from shared.water.boiler import boiler_water
from shared.water.equilibrium import speciate
from shared.water.molar import MG_CACO3_PER_EQ

#: Draws for a median.
_DRAWS: Final = 50
#: Mg(OH)2 + 2 H = Mg + 2 H2O at 25 °C and its enthalpy in kJ/mol (MINTEQ database, from memory); R in kJ/(mol K).
_BRUCITE: Final = (16.844, -113.996)
_R: Final = 8.314462618e-3
#: mg/L CaCO3 of remaining alkalinity from which a small steam boiler foams (common practice, no source; 700 for
#: large boilers: ABMA, from memory).
_FOAMS: Final = 300.0


def alkaline(feed: Feed, boiler: Boiler) -> float | None:
    """Return the alkalinity that remains in the boiler (median, mg/L CaCO3) if it can cause foam and carryover."""
    left = _boiled(feed, boiler)[0] * MG_CACO3_PER_EQ
    return float(np.median(left)) if np.median(left) > _FOAMS else None


def forms_magnesium_hydroxide(feed: Feed, boiler: Boiler) -> bool:
    """Return whether the boiler's water is supersaturated with magnesium hydroxide (median)."""
    _, magnesium, ph = _boiled(feed, boiler)
    saturation = np.log10(np.maximum(magnesium, 1e-12)) + 2 * ph - brucite_log_k(boiler.temperature_c)
    return bool(np.median(saturation) > 0)


def brucite_log_k(t_c: float) -> float:
    """Return log10 K of the dissolution of Mg(OH)2 by acid at ``t_c`` (°C), by van't Hoff's equation from 25 °C."""
    at_25, enthalpy = _BRUCITE
    return float(at_25 + enthalpy / (_R * np.log(10.0)) * (1 / 298.15 - 1 / (t_c + 273.15)))


def _boiled(feed: Feed, boiler: Boiler) -> tuple[Vector, Vector, Vector]:
    """Alkalinity (eq/L), free magnesium (mol/L) and pH of the hot boiler water, without its CO2 and calcite."""
    return feed.solved.once(("boiled", boiler), lambda: _boil(feed, boiler))


def _boil(feed: Feed, boiler: Boiler) -> tuple[Vector, Vector, Vector]:
    some = feed.take(_DRAWS)
    left = boiler_water(some.water, cycles_within(some.water, boiler.cycles), t_c=boiler.temperature_c).water
    hot = speciate(left, boiler.temperature_c)
    return left.alkalinity, hot.free_magnesium, hot.ph
