"""Records of materials and their quality control: batches, tubes, standards, charts, releases, cards, phones, checks.

A set of standards is the working table of a calibration: it changes until the chart is fitted. The chart itself records
which photographs it was fitted to, and which were excluded with what reason.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Annotated, Final, Literal

import msgspec

from assess.limits import LimitSet
from assess.treatment.unit import TreatmentUnit
from calibration.chart import Chart
from calibration.release import Evidence, Release
from calibration.standards_plan.file import MOST_PLAN_BYTES
from stripread.store.models.accounts import Outcome
from stripread.store.models.evidence import own_unit
from stripread.store.models.record import Days, Id, Line, Moment, Record, Sha256

#: Id of the only record of this type; earlier contents are found through the audit trail.
OWN: Final = "own"


class OwnTerms(Record, frozen=True, kw_only=True):
    """``limits`` of the whole store: None for the default set. ``units``: by catalogue id, besides the supplied ones.

    ``sets``: further sets of limits by name, for sampling points that have their own.
    """

    limits: LimitSet | None = None
    sets: dict[str, LimitSet] = {}  # noqa: RUF012 - msgspec copies an empty default
    units: dict[str, TreatmentUnit] = {}  # noqa: RUF012 - msgspec copies an empty default


class Batch(Record, frozen=True, kw_only=True):
    """A strip batch, with the id on its label; ``keeps_days``: shelf life of an opened tube, days."""

    strip: Line
    expires: date | None = None
    keeps_days: Days | None = None
    note: str = ""


class Tube(Record, frozen=True, kw_only=True):
    """A tube of a batch, with the id on its label; ``finished``: date on which it was empty or discarded."""

    batch: Id
    opened: date | None = None
    finished: date | None = None

    def last_day(self, batch: Batch) -> date | None:
        """Return the last day on which its strips may be used; None if it is not recorded."""
        ends = [batch.expires] if batch.expires else []
        if self.opened and batch.keeps_days:
            ends.append(self.opened + timedelta(days=batch.keeps_days))
        return min(ends, default=None)


class StoredChart(Record, frozen=True, kw_only=True):
    """A calibration chart; id: hash of its content."""

    batch: Id
    at: Moment
    chart: Chart

    def __post_init__(self) -> None:
        if self.id != self.chart.id or self.batch != self.chart.batch:
            raise ValueError(f"the record does not match its chart: ID {self.chart.id}, batch {self.chart.batch!r}")


class StoredRelease(Record, frozen=True, kw_only=True):
    """A release or withdrawal of a chart by a pseudonymous account; fields as in `Release`."""

    chart: Sha256
    state: Literal["draft", "released", "withdrawn"]
    account: Id
    at: Moment
    why: str
    valid_from: Moment | None = None
    valid_until: Moment | None = None
    evidence: Evidence = Evidence()
    despite: str = ""

    def __post_init__(self) -> None:
        self.release()

    def release(self) -> Release:
        """Return the statement in the form of a chart file. Raises ValueError if it is invalid."""
        return Release(chart=self.chart, state=self.state, by=self.account, when=self.at, why=self.why,
                       valid_from=self.valid_from, valid_until=self.valid_until, evidence=self.evidence,
                       despite=self.despite)


class PrintRun(Record, frozen=True, kw_only=True):
    """The card profile of a print run; id: that of the profile; ``text``: the original CGATS.17 file.

    A print run that is measured again has another record; the latest ``at`` applies.
    """

    run: int
    at: Moment
    text: str


class Card(Record, frozen=True, kw_only=True):
    """A card of a print run; its colours fade, so its age is counted from ``first_used``."""

    run: int
    first_used: date | None = None
    retired: date | None = None


class Phone(Record, frozen=True, kw_only=True):
    """A phone and the account that uses it; ``model``: make and model as in the EXIF data of its photographs."""

    model: Line
    account: Id | None = None
    retired: date | None = None


class Qualification(Record, frozen=True, kw_only=True):
    """Qualification of a phone by ``readings`` of check standards; the latest applies."""

    phone: Id
    outcome: Outcome
    at: Moment
    account: Id
    until: date | None = None
    readings: tuple[Id, ...] = ()
    note: str = ""


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
