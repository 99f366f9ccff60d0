"""The cup: what extracts, what buffers, what can be tasted."""

from __future__ import annotations

from typing import Final

import numpy as np

from assess.criteria.criterion import OfFeed
from assess.draws import Feed
from shared.water import Vector
from shared.water.molar import CL, NA


def salt(feed: Feed) -> Vector:
    """Sodium chloride, mg/L NaCl: as much as sodium and chloride can make together."""
    return np.minimum(feed.water.na, feed.water.cl) * (NA + CL) * 1e3


FEED: Final[dict[str, OfFeed]] = {
    "hardness": lambda feed: feed.water.hardness,
    "calcium-hardness": lambda feed: feed.water.calcium_hardness,
    "alkalinity": lambda feed: feed.water.alkalinity_caco3,
    "ph": lambda feed: feed.ph,
    "chlorine": lambda feed: feed.free_chlorine,
    "sodium": lambda feed: feed.water.sodium_mg_l,
    "salt": salt,
}
