"""What was seen and what follows from it: photographs, readings, assessments, reviews, checks, laboratory results."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

import msgspec

from assess.assessment import Assessment
from assess.decision import VERDICTS, Verdict
from shared.analytes import ANALYTES
from shared.estimate import Estimate
from stripread.reading.result import Reading
from stripread.store.models.record import Id, Line, Moment, Record, Sha256
from stripread.store.models.value_summary import encode_summary


class StatedFact(msgspec.Struct, frozen=True, array_like=True):
    """One statement of a report: what it is about, and the words that were printed."""

    name: str
    words: str


class IssuedReport(Record, frozen=True, kw_only=True):
    """A report on one reading, id as printed on every page; ``amends`` the earlier one in whose place it stands.

    ``facts``: all that another edition might say otherwise (ISO/IEC 17025:2017, 7.8.8).
    """

    reading: Id
    at: Moment
    account: Id
    facts: tuple[StatedFact, ...]
    amends: Id | None = None
    why: str = ""


_NotNegative = Annotated[float, msgspec.Meta(ge=0.0)]


class Photograph(Record, frozen=True, kw_only=True):
    """A photograph: id the SHA-256 of its original bytes, which lie in the photograph store until ``removed``.

    ``taken`` as the camera wrote it (local time, often without a UTC offset), ``exposed`` the moment that this was,
    None where the camera's clock showed none that is possible; ``dipped`` by the phone's clock.
    ``standard``: the check standard that it shows; None: a sample.
    """

    id: Sha256
    name: Line
    size: Annotated[int, msgspec.Meta(ge=1)]
    received: Moment
    account: Id
    taken: Line | None = None
    exposed: Moment | None = None
    dipped: Moment | None = None
    tube: Id | None = None
    point: Id | None = None
    batch: Id | None = None
    card: Id | None = None
    phone: Id | None = None
    standard: Line | None = None
    note: str = ""
    removed: Moment | None = None

    @property
    def sampled(self) -> datetime:
        """The moment of the sample: of the dip unless that is after receipt, else of the exposure, else of receipt."""
        possible = self.dipped is not None and self.dipped <= self.received
        return (self.dipped if possible else None) or self.exposed or self.received


class StoredReading(Record, frozen=True, kw_only=True):
    """A reading of a photograph; ``supersedes`` the earlier one in whose place it stands."""

    photograph: Sha256
    at: Moment
    account: Id
    reading: Reading
    supersedes: Id | None = None

    def __post_init__(self) -> None:
        if self.reading.provenance.photo_sha256 != self.photograph:
            raise ValueError(f"the reading is of photograph {self.reading.provenance.photo_sha256}")

    @property
    def chart(self) -> str:
        """Hash of the chart it was made with."""
        return self.reading.provenance.chart

    @property
    def software(self) -> str:
        """The version that made it."""
        return self.reading.provenance.software

    @property
    def status(self) -> str:
        """Read or refused."""
        return self.reading.status

    @property
    def flags(self) -> str:
        """All flags of photograph and pads, each between spaces, so that one can be looked for."""
        pads = (flag for pad in self.reading.pads for flag in pad.flags)
        return " ".join(("", *dict.fromkeys((*self.reading.flags, *pads)), ""))

    @property
    def brief(self) -> str:
        """Its values as `kinds.brief` writes them."""
        return encode_summary(self.reading)


class StoredAssessment(Record, frozen=True, kw_only=True):
    """What a reading means for a machine."""

    reading: Id
    at: Moment
    account: Id
    assessment: Assessment
    machine: Id | None = None

    @property
    def verdict(self) -> Verdict:
        """The worst of all verdicts that count."""
        return max(self.assessment.verdicts.values(), key=VERDICTS.index, default="in")


#: What a reviewer finds at fault, few enough to be counted: `stripread.review.session` has the words.
Fault = Literal["picture", "water", "strip", "time", "material", "value", "other"]


class Review(Record, frozen=True, kw_only=True):
    """A reviewer's word on a reading; of several by one person, the latest holds.

    ``own``: the reviewer took the photograph or made the reading, which the settings allowed.
    """

    reading: Id
    decision: Literal["accepted", "rejected"]
    why: str
    at: Moment
    account: Id
    fault: Fault | None = None
    own: bool = False

    def __post_init__(self) -> None:
        if self.decision == "rejected" and not self.why.strip():
            raise ValueError("rejected without a reason: say why")


class Correction(Record, frozen=True, kw_only=True):
    """A person's value for an analyte of a reading, with its interval: beside the reading, never in its place."""

    reading: Id
    estimate: Estimate
    why: str
    at: Moment
    account: Id
    own: bool = False

    def __post_init__(self) -> None:
        own_unit(self.analyte, self.estimate.unit)
        if not self.why.strip():
            raise ValueError("corrected without a reason: say why")

    @property
    def analyte(self) -> str:
        """What was valued."""
        return self.estimate.analyte


class StoredCheckResult(Record, frozen=True, kw_only=True):
    """One analyte of a check standard, ``known`` of the solution with its standard uncertainty, in its own unit.

    What was measured is in a stored reading, or is ``found`` where something else than a photograph gave it.
    ``light``: as the standards table names it; None where it is not known.
    ``struck``: why it does not count, where it was entered in error.
    """

    standard: Line
    analyte: Id
    known: float
    u: _NotNegative
    at: Moment
    account: Id
    reading: Id | None = None
    found: Estimate | None = None
    chart: Id | None = None
    light: Line | None = None
    note: str = ""
    struck: Line | None = None

    def __post_init__(self) -> None:
        own_unit(self.analyte)
        if (self.reading is None) == (self.found is None):
            raise ValueError("a check names the reading, or says what was found otherwise: one of both")
        if self.found:
            own_unit(self.analyte, self.found.unit)


class LabResult(Record, frozen=True, kw_only=True):
    """A laboratory's result for a sampling point, in the analyte's own unit; ``u`` (standard) None: not stated.

    ``below`` and ``above``: the laboratory gives its limit only, and that is ``value``. ``report``: its number.
    ``struck``: why it does not count, where it was entered in error.
    """

    point: Id
    taken: Moment
    analyte: Id
    value: float
    unit: Line
    u: _NotNegative | None = None
    status: Literal["read", "below", "above"] = "read"
    method: str = ""
    laboratory: str = ""
    report: str = ""
    struck: Line | None = None

    def __post_init__(self) -> None:
        own_unit(self.analyte, self.unit)


def own_unit(analyte: str, unit: str | None = None) -> None:
    """Raise ValueError unless the analyte is known and the unit, where given, is the one its values are held in."""
    if analyte not in ANALYTES:
        raise ValueError(f"no analyte is called {analyte!r}; there are {', '.join(ANALYTES)}")
    if unit not in (None, ANALYTES[analyte].unit):
        raise ValueError(f"{analyte} is held in {ANALYTES[analyte].unit!r}, found {unit!r}")
