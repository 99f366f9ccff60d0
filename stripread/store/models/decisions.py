"""Records of decisions on treatment, and of the stock of treatment units."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Annotated, Final, Literal

import msgspec

from assess.treatment.unit import Share
from stripread.store.models.record import Id, Line, Moment, Record

DecisionState = Literal["proposed", "chosen", "ordered", "installed", "verified", "closed", "reopened"]
#: States that may follow each state.
FOLLOWING: Final[dict[DecisionState, tuple[DecisionState, ...]]] = {
    "proposed": ("chosen", "closed"),
    "chosen": ("ordered", "installed", "closed"),
    "ordered": ("installed", "closed"),
    "installed": ("verified", "reopened", "closed"),
    "verified": ("closed", "reopened"),
    "closed": ("reopened",),
    "reopened": ("chosen", "ordered", "installed", "closed"),
}
#: States in which nothing remains to be done.
SETTLED: Final[tuple[DecisionState, ...]] = ("verified", "closed")
Count = Annotated[int, msgspec.Meta(ge=0, le=100_000)]


class DecisionStep(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who brought a decision into a state, when and why.

    An installation is verified by a ``reading``, or by the assessment of a laboratory or typed ``sample``.
    """

    state: DecisionState
    at: Moment
    account: Id
    why: str = ""
    reading: Id | None = None
    sample: Id | None = None


class TreatmentDecision(Record, frozen=True, kw_only=True):
    """A decision for a site: ``what`` is to be done, and its steps in order of time.

    ``recommended``: what the program recommended when it was proposed. ``catalogue``: id of the unit to buy, None if
    nothing is bought; ``setting`` and ``quantity`` of it.
    """

    site: Id
    what: Line
    recommended: str
    steps: Annotated[tuple[DecisionStep, ...], msgspec.Meta(min_length=1)]
    catalogue: Id | None = None
    setting: Share | None = None
    quantity: Count = 1

    def __post_init__(self) -> None:
        states = [step.state for step in self.steps]
        if states[0] != "proposed":
            raise ValueError(f"a decision begins as proposed, found {states[0]!r}")
        for before, after in pairwise(states):
            if after not in FOLLOWING[before]:
                raise ValueError(f"a decision that is {before} cannot become {after}; allowed: "
                                 f"{', '.join(FOLLOWING[before])}")

    @property
    def state(self) -> DecisionState:
        """The present state."""
        return self.steps[-1].state

    @property
    def at(self) -> datetime:
        """Time of the last step."""
        return self.steps[-1].at

    @property
    def follows(self) -> bool:
        """Whether it follows the recommendation."""
        return self.what == self.recommended

    @property
    def open(self) -> bool:
        """Whether something remains to be done."""
        return self.state not in SETTLED


class UnitStock(Record, frozen=True, kw_only=True):
    """Number of units of a catalogue entry (the id) in stock, counted ``at``."""

    count: Count
    at: Moment
    account: Id
