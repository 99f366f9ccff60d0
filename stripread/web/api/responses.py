"""Types of the API's responses, and how readings are converted to them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Generic, Literal, TypeVar

import msgspec

from assess.decision import Verdict
from shared.estimate import Measurement, Status
from stripread.intake.process import IntakeResult
from stripread.reading.result import Reading
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.models.sites import FOLLOWING, DecisionState, DecisionStep, Place, TreatmentDecision
from stripread.web.batches_view import BatchLine, ChartState
from stripread.web.capture import all_flags, should_retake

T = TypeVar("T")


class ListPage(msgspec.Struct, Generic[T], frozen=True, kw_only=True):
    """A page of a list.

    ``total``: number of items under the filters on all pages, null where they are more than are counted. ``next``:
    address of the next page, null on the last page.
    """

    items: tuple[T, ...]
    total: int | None
    next: str | None


class AnalyteValue(msgspec.Struct, frozen=True, kw_only=True):
    """One analyte in its own unit with its 95 % interval; ``reason``: why there is no result."""

    analyte: str
    status: Status
    value: float | None
    low: float | None
    high: float | None
    unit: str
    reason: str


class FlagMessage(msgspec.Struct, frozen=True, kw_only=True):
    """Flag with its texts."""

    id: str
    meaning: str
    action: str


class Preview(msgspec.Struct, frozen=True, kw_only=True):
    """Provisional result from a preview image. ``again``: retaking the photograph is recommended."""

    status: Literal["measured", "no-result"]
    reason: str
    again: bool
    flags: list[FlagMessage]
    values: list[AnalyteValue]


class Result(msgspec.Struct, frozen=True, kw_only=True):
    """Result of a stored photograph; ``reading`` is None where it could not be evaluated, for a ``reason``."""

    photograph: str
    reading: str | None
    status: Literal["measured", "no-result", "not-evaluated"]
    reason: str
    again: bool
    flags: list[FlagMessage]
    values: list[AnalyteValue]
    verdict: Verdict | None
    next_step: str


class Point(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point."""

    id: str
    name: str
    place: Place
    site: str
    site_name: str


class BatchRow(msgspec.Struct, frozen=True, kw_only=True):
    """A strip batch with the state of its chart.

    ``chart``: ID of the chart in use, None without one. ``released_until``: end of its release. ``open_tubes`` of all
    ``tubes``; ``readings``: number of current readings that the account may see.
    """

    id: str
    strip: str
    expires: date | None
    keeps_days: int | None
    state: ChartState
    chart: str | None
    released_until: datetime | None
    open_tubes: int
    tubes: int
    readings: int


class DecisionRow(msgspec.Struct, frozen=True, kw_only=True):
    """A decision on treatment: the record with the name of its site and its present state.

    ``following``: states that it may get next. ``recommended``: what the program recommended when it was proposed.
    ``catalogue``, ``setting``, ``quantity``: of the unit to buy; ``catalogue`` is null if nothing is bought.
    """

    id: str
    site: str
    site_name: str
    what: str
    recommended: str
    state: DecisionState
    open: bool
    at: datetime
    following: tuple[DecisionState, ...]
    catalogue: str | None
    setting: float | None
    quantity: int
    steps: tuple[DecisionStep, ...]


def batch_row(line: BatchLine) -> BatchRow:
    """A strip batch as the page lists it."""
    b = line.batch
    return BatchRow(
        id=b.id, strip=b.strip, expires=b.expires, keeps_days=b.keeps_days, state=line.state,
        chart=line.chart.id if line.chart else None, released_until=line.until, open_tubes=line.in_use,
        tubes=len(line.tubes), readings=line.readings)


def decision_row(made: TreatmentDecision, site_name: str) -> DecisionRow:
    """A decision as the page lists it."""
    return DecisionRow(
        id=made.id, site=made.site, site_name=site_name, what=made.what, recommended=made.recommended,
        state=made.state, open=made.open, at=made.at, following=FOLLOWING[made.state], catalogue=made.catalogue,
        setting=made.setting, quantity=made.quantity, steps=made.steps)


def preview_of(reading: Reading) -> Preview:
    """A provisional reading."""
    return Preview(status=reading.status, reason=reading.reason, again=should_retake(reading), flags=_flags(reading),
                   values=_values(reading.pads))


def result_of(taken: IntakeResult) -> Result:
    """A photograph just taken in."""
    if taken.reading is None:
        return Result(photograph=taken.photograph.id, reading=None, status="not-evaluated", reason=taken.why,
                      again=False, flags=[], values=[], verdict=None, next_step="")
    return stored_result(taken.reading, taken.assessment, taken.why)


def stored_result(stored: StoredReading, judged: StoredAssessment | None, why: str = "") -> Result:
    """Stored reading with its assessment, if there is one."""
    reading = stored.reading
    return Result(photograph=stored.photograph, reading=stored.id, status=reading.status, reason=reading.reason or why,
                  again=should_retake(reading), flags=_flags(reading), values=_values(reading.pads),
                  verdict=judged.verdict if judged else None,
                  next_step=judged.assessment.plan.next_step if judged else "")


def _flags(reading: Reading) -> list[FlagMessage]:
    return [FlagMessage(id=f.id, meaning=f.meaning, action=f.action) for f in all_flags(reading)]


def _values(pads: Iterable[Measurement]) -> list[AnalyteValue]:
    return [AnalyteValue(analyte=p.analyte, status=p.status, value=p.value, low=p.low, high=p.high, unit=p.unit,
                  reason=p.reason) for p in pads]
