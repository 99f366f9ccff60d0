"""Scale in a boiler: at most so much, for it takes time and a surface to form.

A closed boiler heats the water and loses nothing; a vented one gives carbon dioxide up to the air; from a
steam boiler it leaves with the steam, and what stays behind concentrates.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from assess.criteria.criterion import OfBoiler
from assess.draws import Feed
from assess.equipment import Boiler
from shared.water import (
    STEAM_PCO2,
    STEAM_PCO2_SD,
    Vector,
    Water,
    ccpp,
    ccpp_open,
    scale_grams,
    scale_millimetres,
    si_model_sd,
)

_DAYS_A_WEEK: Final = 7.0
_WEEKS_A_YEAR: Final = 365.25 / 7.0
#: mol/L to which a boiler's water is concentrated at most in the model: the activity equations end soon
#: after, and by then nearly all that can scale has.
_SALTIEST: Final = 0.2


def scale(feed: Feed, boiler: Boiler) -> Vector:
    """mg/L CaCO3 of feed that can come out in ``boiler`` (negative: the water would dissolve scale)."""
    held_off = _held_off(feed, boiler)
    potential = feed.solved.once(("potential", boiler), lambda: _potential(feed, boiler))
    return np.where(potential > 0, potential * (1 - held_off), potential)


def _held_off(feed: Feed, boiler: Boiler) -> Vector | float:
    """Share of the scale an inhibitor is taken to hold off here; none in a steam boiler."""
    if feed.credit is None or boiler.kind == "steam":
        return 0.0
    return np.where(boiler.temperature_c > np.asarray(feed.credit.to_c), 0.0, feed.credit.share)


def _potential(feed: Feed, boiler: Boiler) -> Vector:
    t_c = boiler.temperature_c
    error = feed.model_error * si_model_sd(t_c)
    if boiler.kind == "steam":
        cycles = cycles_within(feed.water, boiler.cycles)
        boiled, gas = feed.water.scaled(cycles), feed.gas_error * STEAM_PCO2_SD
        return ccpp_open(boiled, t_c, pco2=STEAM_PCO2, si_offset=error, gas_offset=gas) / cycles
    return (ccpp_open if boiler.vented else ccpp)(feed.water, t_c, si_offset=error)


def weight(scale_mg_per_l: Vector, boiler: Boiler) -> Vector:
    """At most so many grams of scale a week."""
    return scale_grams(scale_mg_per_l, boiler.litres_per_day * _DAYS_A_WEEK)


def thickness(scale_mg_per_l: Vector, boiler: Boiler) -> Vector:
    """At most so many millimetres of scale a year, spread evenly over the heated area."""
    if boiler.heated_area_m2 is None:
        raise ValueError(f"{boiler.name} states no heated area")
    return scale_millimetres(weight(scale_mg_per_l, boiler) * _WEEKS_A_YEAR, boiler.heated_area_m2)


def cycles_within(water: Water, wanted: float) -> Vector:
    """Cycles of each water, as far as the activity equations reach."""
    ions = 2 * (water.ca + water.mg + water.so4) + 0.5 * (water.na + water.k + water.cl + water.alkalinity)
    return np.clip(_SALTIEST / np.maximum(ions, 1e-9), 1.0, wanted)


BOILER: Final[dict[str, OfBoiler]] = {
    "scale": scale,
    "scale-weight": lambda feed, boiler: weight(scale(feed, boiler), boiler),
    "scale-thickness": lambda feed, boiler: thickness(scale(feed, boiler), boiler),
}
