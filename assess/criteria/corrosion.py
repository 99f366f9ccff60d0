"""Corrosion and leaching: chloride, acid water, chlorine, and the Larson-Skold index as information."""

from __future__ import annotations

from typing import Final

import numpy as np

from assess.criteria.criterion import OfBoiler, OfFeed
from assess.draws import Feed
from assess.equipment import Boiler
from shared.water import Vector, larson_skold

#: Stands for the infinite index of a water without alkalinity.
_LARGEST_INDEX: Final = 1000.0


def boiler_chloride(feed: Feed, boiler: Boiler) -> Vector:
    """mg/L Cl in the boiler's water at its most concentrated: steam takes none along."""
    return feed.water.chloride_mg_l * boiler.cycles


def larson(feed: Feed) -> Vector:
    """Larson-Skold index; where sulfate was not measured it counts for nothing, a lower bound."""
    water = feed.water if feed.sulfate_known else feed.water.with_(so4=0.0)
    return np.minimum(larson_skold(water), _LARGEST_INDEX)


FEED: Final[dict[str, OfFeed]] = {
    "chloride": lambda feed: feed.water.chloride_mg_l,
    "soft-acid": lambda feed: feed.highest_ph(),
    "metal-chlorine": lambda feed: feed.free_chlorine,
    "larson-skold": larson,
}
BOILER: Final[dict[str, OfBoiler]] = {
    "boiler-chloride": boiler_chloride,
    "copper-acid": lambda feed, _: feed.highest_ph(),
}
