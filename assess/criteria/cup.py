"""The cup: what extracts, what buffers, what can be tasted."""

from __future__ import annotations

from typing import Final

import numpy as np

from assess.criteria.criterion import OfFeed
from assess.draws import Feed
from shared.water import Vector
from shared.water.molar import CL, NA

#: Middle of the trade's window, pH 7 to 8.
_MIDDLE_PH: Final = 7.5


def settled_ph(feed: Feed) -> Vector:
    """The pH; of a treated water, on its way from leaving to having stood in a room, where it is nearest to 7.5."""
    if feed.settles is None or not np.any(feed.settles):
        return feed.ph
    return np.where(feed.settles, np.clip(_MIDDLE_PH, feed.lowest_ph(), feed.highest_ph()), feed.ph)


def salt(feed: Feed) -> Vector:
    """Sodium chloride, mg/L NaCl: as much as sodium and chloride can make together."""
    return np.minimum(feed.water.na, feed.water.cl) * (NA + CL) * 1e3


FEED: Final[dict[str, OfFeed]] = {
    "hardness": lambda feed: feed.water.hardness,
    "calcium-hardness": lambda feed: feed.water.calcium_hardness,
    "alkalinity": lambda feed: feed.water.alkalinity_caco3,
    "ph": settled_ph,
    "chlorine": lambda feed: feed.free_chlorine,
    "chloramine": lambda feed: feed.chloramine,
    "sodium": lambda feed: feed.water.sodium_mg_l,
    "salt": salt,
}
