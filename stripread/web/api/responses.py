"""Types of the API's responses, and how readings are converted to them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Generic, Literal, TypeVar

import msgspec

from assess.decision import Verdict
from shared.estimate import Measurement, Status
from stripread.intake.process import IntakeResult
from stripread.reading.result import Reading
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.models.sites import Place
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
