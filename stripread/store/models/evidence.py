"""Records of evidence: photographs, readings, assessments, reviews, check standards, laboratory results, reports."""

from __future__ import annotations

from datetime import datetime
from math import sqrt
from typing import Annotated, Literal

import msgspec

from assess.assessment import Assessment
from assess.decision import Verdict
from shared.analytes import ANALYTES
from shared.decoders import from_json
from shared.estimate import Estimate, Measurement, Status
from stripread.reading.combine import SAME_PARTS
from stripread.reading.result import Reading
from stripread.store.models.record import Id, Line, Moment, Record, Sha256


class ValueSummary(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A value with its 95 % interval, in the analyte's unit, to six digits.

    ``u_same``: standard uncertainty of the components shared by all readings on the same chart.
    """

    analyte: str
    status: Status
    value: float
    low: float
    high: float
    u_same: float


def encode_summary(reading: Reading) -> str:
    """Return the values of all pads with a result, as text."""
    return msgspec.json.encode([b for pad in reading.pads if (b := summarise_value(pad)) is not None]).decode()


def decode_summary(text: str) -> tuple[ValueSummary, ...]:
    """Return the values that `encode_summary` encoded."""
    return from_json(text, tuple[ValueSummary, ...])


def summarise_value(pad: Measurement | Estimate) -> ValueSummary | None:
    """Return the summary of a value, or None if there is no value."""
    if pad.value is None or pad.low is None or pad.high is None:
        return None
    same = sqrt(sum(part.u**2 for part in pad.budget if part.name in SAME_PARTS))
    return ValueSummary(pad.analyte, pad.status, *(float(f"{x:.6g}") for x in (pad.value, pad.low, pad.high, same)))


class StatedFact(msgspec.Struct, frozen=True, array_like=True):
    """One statement of a report: its subject and the printed text."""

    name: str
    words: str


class IssuedReport(Record, frozen=True, kw_only=True):
    """An issued report on one reading, with the id printed on every page; ``amends``: the report that it replaces.

    ``facts``: all statements that an amendment may change (ISO/IEC 17025:2017, 7.8.8).
    """

    reading: Id
    at: Moment
    account: Id
    facts: tuple[StatedFact, ...]
    amends: Id | None = None
    why: str = ""


_NotNegative = Annotated[float, msgspec.Meta(ge=0.0)]


class Photograph(Record, frozen=True, kw_only=True):
    """A photograph; id: SHA-256 of its original bytes, which are in the photograph store until ``removed``.

    ``taken``: as the camera wrote it (local time, often without a UTC offset); ``exposed``: that time with its zone,
    None if it is impossible; ``dipped``: by the phone's clock. ``standard``: the check standard shown; None: a sample.
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
        """Time of the sample: that of the dip unless it is after receipt, else of exposure, else of receipt."""
        possible = self.dipped is not None and self.dipped <= self.received
        return (self.dipped if possible else None) or self.exposed or self.received


class StoredReading(Record, frozen=True, kw_only=True):
    """A reading of a photograph; ``supersedes``: id of the earlier reading that it replaces."""

    photograph: Sha256
    at: Moment
    account: Id
    reading: Reading
    supersedes: Id | None = None

    def __post_init__(self) -> None:
        if self.reading.provenance.photo_sha256 != self.photograph:
            raise ValueError(f"the reading belongs to another photograph: {self.reading.provenance.photo_sha256}")

    @property
    def chart(self) -> str:
        """Hash of the chart used."""
        return self.reading.provenance.chart

    @property
    def software(self) -> str:
        """Version of the software used."""
        return self.reading.provenance.software

    @property
    def status(self) -> str:
        """Status of the reading: "measured" or "no-result"."""
        return self.reading.status

    @property
    def flags(self) -> str:
        """All flags of photograph and pads, each between spaces, so that a query can find one."""
        pads = (flag for pad in self.reading.pads for flag in pad.flags)
        return " ".join(("", *dict.fromkeys((*self.reading.flags, *pads)), ""))

    @property
    def value_summary(self) -> str:
        """Its values, encoded by `value_summary.encode_summary`."""
        return encode_summary(self.reading)


class StoredAssessment(Record, frozen=True, kw_only=True):
    """Assessment of a reading for a machine."""

    reading: Id
    at: Moment
    account: Id
    assessment: Assessment
    machine: Id | None = None

    @property
    def verdict(self) -> Verdict:
        """The most severe of all verdicts."""
        return self.assessment.verdict


#: Faults that a reviewer can state, for statistics; their texts are in `stripread.review.session`.
Fault = Literal["picture", "water", "strip", "time", "material", "value", "other"]


#: "withdrawn": the account takes back its earlier decision. "reading-withdrawn": not a review; the account that took
#: the photograph withdraws the reading.
ReviewDecision = Literal["accepted", "rejected", "withdrawn", "reading-withdrawn"]


class Review(Record, frozen=True, kw_only=True):
    """A decision on a reading, by a reviewer or by who took it; of several by one account, the latest applies.

    ``own``: the reviewer took the photograph or made the reading, as the settings allow.
    """

    reading: Id
    decision: ReviewDecision
    why: str
    at: Moment
    account: Id
    fault: Fault | None = None
    own: bool = False

    def __post_init__(self) -> None:
        if self.decision in ("rejected", "reading-withdrawn") and not self.why.strip():
            raise ValueError("a rejection or withdrawal needs a reason")


class Correction(Record, frozen=True, kw_only=True):
    """A reviewer's value for an analyte of a reading, with its interval; the reading itself is unchanged."""

    reading: Id
    estimate: Estimate
    why: str
    at: Moment
    account: Id
    own: bool = False

    def __post_init__(self) -> None:
        own_unit(self.analyte, self.estimate.unit)
        if not self.why.strip():
            raise ValueError("a correction needs a reason")

    @property
    def analyte(self) -> str:
        """The analyte that was corrected."""
        return self.estimate.analyte


class StoredCheckResult(Record, frozen=True, kw_only=True):
    """Result for one analyte of a check standard: ``known`` value with its standard uncertainty, in the analyte's unit.

    The measured value is in a stored reading, or in ``found`` if it does not come from a photograph. ``light``: as the
    standards table names it, None if unknown. ``struck``: reason for exclusion of an entry made in error.
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
            raise ValueError("a check result needs either a reading or a value from another method, not both")
        if self.found:
            own_unit(self.analyte, self.found.unit)


Origin = Literal["laboratory", "typed", "supplier"]


class LabResult(Record, frozen=True, kw_only=True):
    """A laboratory result for a sampling point, in the analyte's unit; ``u``: standard uncertainty, None if not stated.

    ``below`` and ``above``: the laboratory reports only a limit, which is ``value``. ``report``: number of its report.
    ``origin``: a laboratory; values typed from titration or meter; a supplier's yearly average, which is a prior, not a
    sample. ``struck``: reason for exclusion of an entry made in error.
    """

    point: Id
    taken: Moment
    analyte: Id
    value: float
    unit: Line
    u: _NotNegative | None = None
    status: Literal["measured", "below", "above"] = "measured"
    method: str = ""
    laboratory: str = ""
    report: str = ""
    struck: Line | None = None
    origin: Origin = "laboratory"

    def __post_init__(self) -> None:
        own_unit(self.analyte, self.unit)


class SampleAssessment(Record, frozen=True, kw_only=True):
    """Assessment of laboratory or typed results of one sample; ``results``: ids of the values that it uses."""

    point: Id
    taken: Moment
    at: Moment
    account: Id
    results: tuple[Id, ...]
    assessment: Assessment
    machine: Id | None = None

    @property
    def verdict(self) -> Verdict:
        """The most severe of all verdicts."""
        return self.assessment.verdict


def own_unit(analyte: str, unit: str | None = None) -> None:
    """Raise ValueError for an unknown analyte, and for a unit in which its values are not stored."""
    if analyte not in ANALYTES:
        raise ValueError(f"unknown analyte {analyte!r}; allowed: {', '.join(ANALYTES)}")
    if unit not in (None, ANALYTES[analyte].unit):
        raise ValueError(f"{analyte} is stored in {ANALYTES[analyte].unit!r}, found {unit!r}")
