"""Quantities that criteria limit: scale in a boiler, corrosion and leaching, and the cup.

Scale is an upper limit, because precipitation needs time and a surface. A closed boiler heats the water without loss; a
vented boiler loses carbon dioxide to the air; in a steam boiler carbon dioxide leaves with the steam and the rest
concentrates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from assess.decision import PermittedRange
from assess.draws import Feed
from assess.equipment import Boiler
from assess.limits import MEASURES, Limit, Measure
from shared.water import (
    STEAM_PCO2,
    STEAM_PCO2_SD,
    Vector,
    Water,
    ccpp,
    ccpp_open,
    larson_skold,
    scale_grams,
    scale_millimetres,
    si_model_sd,
)
from shared.water.molar import CL, NA

OfFeed = Callable[[Feed], Vector]
OfBoiler = Callable[[Feed, Boiler], Vector]


@dataclass(frozen=True, slots=True)
class Criterion:
    """``quantity`` gives the measure for each draw of a feed, shape (n,), in the limit's unit."""

    limit: Limit
    quantity: OfFeed
    boiler: Boiler | None = None
    by_manufacturer: bool = False

    @property
    def id(self) -> str:
        """Measure and place, as "scale at steam boiler"; a manufacturer's limit is marked."""
        whose = "manufacturer's " if self.by_manufacturer else ""
        place = "" if self.boiler is None else f" at {self.boiler.name}"
        return f"{whose}{self.limit.measure}{place}"

    @property
    def name(self) -> str:
        """The measure in words."""
        return f"{self.measure.name} (manufacturer's limit)" if self.by_manufacturer else self.measure.name

    @property
    def measure(self) -> Measure:
        """The measure that is limited."""
        return MEASURES[self.limit.measure]

    @property
    def bounds(self) -> PermittedRange:
        """The permitted values."""
        return PermittedRange(self.limit.at_least, self.limit.at_most)

    def conforms(self, feed: Feed, value: Vector) -> NDArray[np.bool_]:
        """Return the draws that conform: within the bounds, or with enough alkalinity for the bound not to apply."""
        inside = self.bounds.permits(value)
        if self.limit.unless_alkalinity is None:
            return inside
        return inside | (feed.water.alkalinity_caco3 >= self.limit.unless_alkalinity)


_DAYS_A_WEEK: Final = 7.0
_WEEKS_A_YEAR: Final = 365.25 / 7.0
#: mol/L to which the model concentrates a boiler's water at most: the activity equations end soon above, and nearly all
#: that can precipitate has precipitated by then.
_SALTIEST: Final = 0.2
#: Replaces the infinite index of a water without alkalinity.
_LARGEST_INDEX: Final = 1000.0
#: Middle of the trade's window, pH 7 to 8.
_MIDDLE_PH: Final = 7.5


def scale(feed: Feed, boiler: Boiler) -> Vector:
    """Return mg/L CaCO3 that can precipitate from the feed in ``boiler`` (negative: the water dissolves scale)."""
    inhibited = _inhibited_share(feed, boiler)
    potential = feed.solved.once(("potential", boiler), lambda water: _potential(water, feed, boiler))
    return np.where(potential > 0, potential * (1 - inhibited), potential)


def _inhibited_share(feed: Feed, boiler: Boiler) -> Vector | float:
    """Share of the scale that an inhibitor is assumed to prevent here; none in a steam boiler."""
    if feed.credit is None or boiler.kind == "steam":
        return 0.0
    return np.where(boiler.temperature_c > np.asarray(feed.credit.to_c), 0.0, feed.credit.share)


def _potential(water: Water, feed: Feed, boiler: Boiler) -> Vector:
    """The potential of some rows of the feed's water."""
    t_c = boiler.temperature_c
    error = feed.model_error * si_model_sd(t_c)
    if boiler.kind == "steam":
        cycles = cycles_within(water, boiler.cycles)
        boiled, gas = water.scaled(cycles), feed.gas_error * STEAM_PCO2_SD
        return ccpp_open(boiled, t_c, pco2=STEAM_PCO2, si_offset=error, gas_offset=gas) / cycles
    return (ccpp_open if boiler.vented else ccpp)(water, t_c, si_offset=error)


def weight(scale_mg_per_l: Vector, boiler: Boiler) -> Vector:
    """Return the most scale of a week, g."""
    return scale_grams(scale_mg_per_l, boiler.litres_per_day * _DAYS_A_WEEK)


def thickness(scale_mg_per_l: Vector, boiler: Boiler) -> Vector:
    """Return the most scale of a year, mm, spread evenly over the heated area."""
    if boiler.heated_area_m2 is None:
        raise ValueError(f"{boiler.name} has no heated_area_m2")
    return scale_millimetres(weight(scale_mg_per_l, boiler) * _WEEKS_A_YEAR, boiler.heated_area_m2)


def cycles_within(water: Water, wanted: float) -> Vector:
    """Return the cycles of concentration of each water, limited to the range of the activity equations."""
    ions = 2 * (water.ca + water.mg + water.so4) + 0.5 * (water.na + water.k + water.cl + water.alkalinity)
    return np.clip(_SALTIEST / np.maximum(ions, 1e-9), 1.0, wanted)


def boiler_chloride(feed: Feed, boiler: Boiler) -> Vector:
    """Return mg/L Cl in the boiler's water at its most concentrated: steam carries no chloride."""
    return feed.water.chloride_mg_l * boiler.cycles


def larson(feed: Feed) -> Vector:
    """Larson-Skold index; a lower bound where sulfate was not measured, because it then counts as zero."""
    water = feed.water if feed.sulfate_known else feed.water.with_(so4=0.0)
    return np.minimum(larson_skold(water), _LARGEST_INDEX)


def settled_ph(feed: Feed) -> Vector:
    """The pH; of a treated water the value nearest to 7.5 between its pH at the outlet and after standing in air."""
    if feed.settles is None or not np.any(feed.settles):
        return feed.ph
    return np.where(feed.settles, np.clip(_MIDDLE_PH, feed.lowest_ph(), feed.highest_ph()), feed.ph)


def salt(feed: Feed) -> Vector:
    """Sodium chloride, mg/L NaCl: as much as the sodium and the chloride of the water can form together."""
    return np.minimum(feed.water.na, feed.water.cl) * (NA + CL) * 1e3


#: Quantities of the feed, by measure.
OF_FEED: Final[dict[str, OfFeed]] = {
    "chloride": lambda feed: feed.water.chloride_mg_l,
    "soft-acid": lambda feed: feed.highest_ph(),
    "metal-chlorine": lambda feed: feed.free_chlorine,
    "larson-skold": larson,
    "hardness": lambda feed: feed.water.hardness,
    "calcium-hardness": lambda feed: feed.water.calcium_hardness,
    "alkalinity": lambda feed: feed.water.alkalinity_caco3,
    "ph": settled_ph,
    "chlorine": lambda feed: feed.free_chlorine,
    "chloramine": lambda feed: feed.chloramine,
    "sodium": lambda feed: feed.water.sodium_mg_l,
    "salt": salt,
    "conductivity": lambda feed: feed.conductivity,
}
#: Quantities of a boiler, by measure.
OF_BOILER: Final[dict[str, OfBoiler]] = {
    "scale": scale,
    "scale-weight": lambda feed, boiler: weight(scale(feed, boiler), boiler),
    "scale-thickness": lambda feed, boiler: thickness(scale(feed, boiler), boiler),
    "boiler-chloride": boiler_chloride,
    "copper-acid": lambda feed, _: feed.highest_ph(),
}
