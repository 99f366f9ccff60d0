"""What is known of a sample of treated water: the unit it passed, the feed water, and how far the unit is used."""

from __future__ import annotations

import msgspec

from assess.equipment import InstalledTreatment
from assess.inputs.sample import Sample
from shared.estimate import Estimate


class UnitUsage(msgspec.Struct, frozen=True, kw_only=True):
    """Share of the unit's capacity that was used at the time of the sample, with its standard uncertainty.

    1: half of what the fresh unit removes passes.
    """

    used: float
    u: float


class NotCompared(msgspec.Struct, frozen=True):
    """Treated water that is not compared with a prediction, and ``why``: a sentence."""

    why: str


class Upstream(msgspec.Struct, frozen=True, kw_only=True):
    """Unit and feed water of a sample of treated water.

    ``installed`` without a setting: the setting is not known. ``feed``: reading of the feed water, taken ``feed_days``
    from this sample; ``same_chart``: both readings share the errors of one chart. ``usual``: level of the feed water
    from other readings; empty: no other reading. ``usage`` None: neither volume nor age is known.
    """

    installed: InstalledTreatment
    feed: Sample
    feed_days: float = 0.0
    same_chart: bool = False
    usual: tuple[Estimate, ...] = ()
    usage: UnitUsage | None = None
