"""Records of quality control: standards of a batch with their photographs, checks of cards, verifications of the store.

A set of standards is the working table of a calibration: it changes until the chart is fitted. The chart itself records
which photographs it was fitted to, and which were excluded with what reason.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from calibration.standards_plan.file import MOST_PLAN_BYTES
from stripread.store.models.evidence import own_unit
from stripread.store.models.record import Id, Line, Moment, Record, Sha256

_NotNegative = Annotated[float, msgspec.Meta(ge=0.0)]


class KnownValue(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Reference value of an analyte with its standard uncertainty, in the analyte's unit."""

    value: _NotNegative
    u: _NotNegative


class StandardSolution(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A solution with its reference values by analyte; ``lights``: under which it is to be photographed."""

    standard: Line
    role: Literal["standard", "check"]
    values: dict[str, KnownValue]
    lights: tuple[Line, ...] = ()

    def __post_init__(self) -> None:
        for analyte in self.values:
            own_unit(analyte)


class StandardPhotograph(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A photograph of a strip that was dipped in a solution; ``excluded``: why the fit leaves it out."""

    photograph: Sha256
    name: Line
    standard: Line
    light: Line
    excluded: str = ""


class StandardsSet(Record, frozen=True, kw_only=True):
    """The standards of a strip batch, whose id it has: their plan (TOML), solutions and photographs."""

    plan: Annotated[str, msgspec.Meta(max_length=MOST_PLAN_BYTES)] = ""
    solutions: tuple[StandardSolution, ...] = ()
    photographs: tuple[StandardPhotograph, ...] = ()

    @property
    def batch(self) -> str:
        """The strip batch."""
        return self.id

    def solution(self, standard: str) -> StandardSolution | None:
        """Return the solution of this id, or None."""
        return next((s for s in self.solutions if s.standard == standard), None)


class CardInspection(Record, frozen=True, kw_only=True):
    """Check of a card of a print run by a photograph; ``card``: None if it was not named.

    ``typical_delta_e``: median CIEDE2000 of the patches from their measured colours. ``bar_mm``: length of the printed
    bar by the photograph, None if it could not be measured.
    """

    run: int
    at: Moment
    account: Id
    photograph: Sha256
    verdict: Literal["good", "replace", "look again"]
    reasons: tuple[str, ...] = ()
    card: Id | None = None
    typical_delta_e: _NotNegative | None = None
    bar_mm: _NotNegative | None = None


class Verification(Record, frozen=True, kw_only=True):
    """A verification of the store: numbers of what was verified, and the first discrepancy, "" if there was none."""

    at: Moment
    account: Id
    records: int
    photographs: int
    entries: int
    wrong: str = ""
    notes: tuple[str, ...] = ()
