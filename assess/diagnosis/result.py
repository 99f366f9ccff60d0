"""What a diagnosis starts from, the unit and the feed of a sample, and its result: state, probabilities, values."""

from __future__ import annotations

from typing import Final, Literal

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


State = Literal["working", "setting-off", "exhausted", "swapped", "carbon-exhausted", "not-explained",
                "indistinguishable"]

#: Posterior probability from which an explanation is possible, and from which it is stated.
POSSIBLE: Final = 0.05
STATED: Final = 0.95


class PredictionCheck(msgspec.Struct, frozen=True, kw_only=True):
    """One analyte of the treated water: predicted with its standard uncertainty, and measured."""

    analyte: str
    predicted: float
    u_predicted: float
    read: Estimate


class Explanations(msgspec.Struct, frozen=True, kw_only=True):
    """Posterior probability of each explanation; they sum to 1."""

    working: float = 0.0
    setting_off: float = 0.0
    exhausted: float = 0.0
    swapped: float = 0.0
    not_explained: float = 0.0


class UnitDiagnosis(msgspec.Struct, frozen=True, kw_only=True):
    """State of a unit in a sentence, and what to do about it; ``action`` is empty for a unit that works.

    ``acts_like``: setting that the treated water corresponds to, with its 95 % interval; None: no setting.
    ``carbon``: probability that chlorine passes the carbon. ``aired``: probability that CO2 was lost on standing.
    """

    state: State
    sentence: str
    action: str
    probabilities: Explanations
    compared: tuple[PredictionCheck, ...]
    acts_like: tuple[float, float, float] | None = None
    carbon: float = 0.0
    aired: float = 0.0

    @property
    def possible(self) -> tuple[str, ...]:
        """Explanations that cannot be excluded, most probable first."""
        probabilities = {name: p for name in Explanations.__struct_fields__
                         if (p := getattr(self.probabilities, name)) >= POSSIBLE}
        return tuple(sorted(probabilities, key=lambda name: -probabilities[name]))
