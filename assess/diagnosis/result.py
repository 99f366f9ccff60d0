"""Result of a diagnosis: state of the unit, probabilities of the explanations, predicted and measured values."""

from __future__ import annotations

from typing import Final, Literal

import msgspec

from shared.estimate import Estimate

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
        found = {name: p for name in Explanations.__struct_fields__
                 if (p := getattr(self.probabilities, name)) >= POSSIBLE}
        return tuple(sorted(found, key=lambda name: -found[name]))
