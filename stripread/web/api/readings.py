"""Readings by the API: found, listed, taken; values typed in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Final, Literal

import msgspec
from msgspec.structs import replace
from starlette.responses import Response

from assess.decision import VERDICTS, Verdict
from shared.decoders import converted
from shared.estimate import Measurement, Status
from shared.flags import FLAGS
from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo
from stripread.intake.typed_values import Method
from stripread.reading.photo_file import PhotoFile
from stripread.reading.result import Reading
from stripread.store.lookup import PointSummary, search_points
from stripread.store.models.evidence import LabResult, Photograph, StoredAssessment, StoredReading
from stripread.store.models.sites import Place
from stripread.store.photos import digest
from stripread.store.reading_query import ReadingFilter, ReadingRow, count_readings
from stripread.store.reading_query import readings as found_readings
from stripread.store.reading_status import REVIEW_STATUS_NAMES, ReviewStatus, current_assessment
from stripread.web.api.operations import (
    ITEMS,
    MOST_ITEMS,
    Body,
    ListPage,
    ListQuery,
    answered,
    change,
    in_utc,
    limit,
    listed,
    read,
)
from stripread.web.capture import PhotoIntake, all_flags, moment_from, should_retake
from stripread.web.error_handlers import json
from stripread.web.listing import COUNTED, choice, list_address
from stripread.web.pages import readings as pages
from stripread.web.pages import take, typed_values
from stripread.web.refusals import CAN_DOWNLOAD_ORIGINALS, CAN_TAKE_READINGS
from stripread.web.request import RequestContext

_STATUSES: Final[tuple[Literal["measured", "no-result"], ...]] = ("measured", "no-result")


def _moment(meaning: str) -> msgspec.Meta:
    return msgspec.Meta(description=f"{meaning}: ISO 8601 with UTC offset.", extra_json_schema={"format": "date-time"})


class PointsQuery(ListQuery, frozen=True):
    """Parameters of the search for sampling points."""

    search: Annotated[str, msgspec.Meta(description="Part of a name or ID; empty: all.")] = ""


class ReadingsQuery(msgspec.Struct, frozen=True):
    """Parameters of the list of readings; without a parameter the list is not filtered by it."""

    site: Annotated[str, msgspec.Meta(description="ID of the site.")] = ""
    point: Annotated[str, msgspec.Meta(description="ID of the sampling point.")] = ""
    group: Annotated[str, msgspec.Meta(description="ID of the group of sites.")] = ""
    batch: Annotated[str, msgspec.Meta(description="ID of the strip batch.")] = ""
    search: Annotated[str, msgspec.Meta(
        description="Part of the name of site, sampling point or photograph (one or two letters: the start of the "
                    "photograph's name), or the start of the reading's ID.")] = ""
    since: Annotated[str, _moment("First time of sampling")] = ""
    until: Annotated[str, _moment("Last time of sampling")] = ""
    flag: Annotated[str, msgspec.Meta(description="ID of a flag that the readings have.")] = ""
    status: Annotated[
        Literal["measured", "no-result"], msgspec.Meta(description="Status of the readings.")] = "measured"
    verdict: Annotated[Verdict, msgspec.Meta(description="Verdict of the readings.")] = "within-limits"
    reviewed: Annotated[ReviewStatus, msgspec.Meta(description="Review status of the readings.")] = "unreviewed"
    limit: Annotated[int, msgspec.Meta(
        ge=1, le=MOST_ITEMS, description=f"Largest number of items on a page [default: {ITEMS}].")] = ITEMS
    before: Annotated[str, msgspec.Meta(description="ID of the last reading of the previous page.")] = ""


class UploadQuery(msgspec.Struct, frozen=True):
    """Parameters of an upload."""

    batch: Annotated[
        str, msgspec.Meta(description="ID of the strip batch; optional if a label in the photograph names it.")] = ""
    point: Annotated[str, msgspec.Meta(description="ID of the sampling point.")] = ""
    tube: Annotated[str, msgspec.Meta(description="ID of the tube.")] = ""
    dipped: Annotated[str, _moment("Time of the dip")] = ""
    name: Annotated[str, msgspec.Meta(description="Name of the file, as the record states it.")] = ""


class PreviewQuery(msgspec.Struct, frozen=True):
    """Parameters of a preview."""

    batch: Annotated[str, msgspec.Meta(description="ID of the strip batch.", min_length=1)]
    tube: Annotated[str, msgspec.Meta(description="ID of the tube.")] = ""


class MeasuredValuesBody(Body, frozen=True):
    """Values of one sample, in the analytes' own units; ``u_...``: half of a 95 % interval, null: not known."""

    point: str
    method: Method
    hardness: float | None = None
    u_hardness: float | None = None
    alkalinity: float | None = None
    u_alkalinity: float | None = None
    ph: float | None = None
    u_ph: float | None = None
    chloride: float | None = None
    u_chloride: float | None = None
    chlorine: float | None = None
    u_chlorine: float | None = None


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


def current_result(request: RequestContext, stored: StoredReading) -> Result:
    """Return a stored reading with its current assessment."""
    return stored_result(stored, current_assessment(request.store, stored.id))


def _flags(reading: Reading) -> list[FlagMessage]:
    return [FlagMessage(id=f.id, meaning=f.meaning, action=f.action) for f in all_flags(reading)]


def _values(pads: Iterable[Measurement]) -> list[AnalyteValue]:
    return [AnalyteValue(analyte=p.analyte, status=p.status, value=p.value, low=p.low, high=p.high, unit=p.unit,
                         reason=p.reason) for p in pads]


def _points(request: RequestContext) -> list[PointSummary]:
    return list(search_points(request.store, request.query("search"), request.access, most=None))


def _list_readings(request: RequestContext) -> Response:
    """Return current readings, newest sample first. A page begins after a reading, so that all take the same time."""
    wanted, most = _reading_filter(request), limit(request)
    found = found_readings(request.store, wanted, most + 1, request.query("before") or None)
    total = count_readings(request.store, wanted, COUNTED + 1)
    return json(ListPage(
        items=tuple(replace(row, sampled=in_utc(row.sampled), at=in_utc(row.at)) for row in found[:most]),
        total=total if total <= COUNTED else None,
        next=list_address(request).link(before=found[most - 1].id) if len(found) > most else None))


def _reading_filter(request: RequestContext) -> ReadingFilter:
    def moment(name: str) -> datetime | None:
        return moment_from(request.query(name), name)

    return ReadingFilter(
        access=request.access, site=request.query("site") or None, point=request.query("point") or None,
        group=request.query("group") or None, batch=request.query("batch") or None,
        search=request.query("search").strip() or None, since=moment("since"), until=moment("until"),
        flag=choice(request, "flag", tuple(FLAGS)), status=choice(request, "status", _STATUSES),
        verdict=choice(request, "verdict", VERDICTS), reviewed=choice(request, "reviewed", tuple(REVIEW_STATUS_NAMES)))


def _preview(request: RequestContext) -> Preview:
    return preview_of(PhotoIntake(request.app, request.account).ahead(
        request.body, request.query("batch"), request.query("tube") or None))


def _take(request: RequestContext) -> Response:
    """Store and evaluate a photograph. Idempotent: a repeated upload gives the same result, with 200 for 201."""
    first = not request.store.ids(Photograph, id=digest(request.body))
    taken = PhotoIntake(request.app, request.account).take(
        PhotoFile(request.query("name")[-200:] or "photograph", request.body),
        SampleInfo(point=request.query("point") or None, batch=request.query("batch") or None,
                   tube=request.query("tube") or None, dipped=moment_from(request.query("dipped"), "dipped")))
    return json(result_of(taken), 201 if first or taken.new else 200)


def _stored(request: RequestContext) -> StoredReading:
    return request.one(StoredReading, request.path("reading"))


_PHOTOGRAPH: Final = "The bytes of the photograph: JPEG, PNG, TIFF, WebP or HEIC."
READINGS: Final = (
    read("/api/points", "points", "Find sampling points by part of a site name, point name or ID.",
         listed(_points, lambda spot: converted(spot, Point, from_attributes=True)), scope="readings:read",
         query=PointsQuery, returns={200: (ListPage[Point], "A page of points, by site and name.")}),
    read("/api/readings", "readings", "List current readings, newest sample first.", _list_readings,
         scope="readings:read", query=ReadingsQuery, description=f"`total` is null if there are more than {COUNTED:,}.",
         returns={200: (ListPage[ReadingRow], "A page of readings.")}),
    change("/api/readings", "take", "Upload a photograph for storage, evaluation and assessment.", _take,
           roles=CAN_TAKE_READINGS, scope="readings:take", query=UploadQuery, uploads=_PHOTOGRAPH,
           limits=(take.ORIGINAL_BYTES, take.ORIGINAL_S),
           description="A response means that the photograph has been stored durably. Uploads are idempotent: retry if "
                       "no response arrives.",
           returns={201: (Result, "Stored and evaluated."),
                    200: (Result, "Stored before, or stored but could not be evaluated.")}),
    change("/api/previews", "preview", "Evaluate a preview image provisionally; nothing is stored.", answered(_preview),
           roles=CAN_TAKE_READINGS, scope="readings:take", query=PreviewQuery, uploads=_PHOTOGRAPH,
           limits=(take.PREVIEW_BYTES, 60.0), returns={200: (Preview, "Provisional result.")}),
    read("/api/readings/{reading}", "reading", "Return the summary of a reading.",
         lambda request: json(current_result(request, _stored(request))), scope="readings:read",
         returns={200: (Result, "The reading.")}),
    read("/api/readings/{reading}/record", "record", "Return the full record of a reading.", answered(_stored),
         scope="readings:read", returns={200: (StoredReading, "The record.")}),
    read("/api/readings/{reading}/picture", "picture", "Return the photograph, reduced and without metadata.",
         pages.picture, scope="readings:read", files=("image/jpeg",)),
    read("/api/readings/{reading}/original", "original", "Return the original photograph with its metadata.",
         pages.original, roles=CAN_DOWNLOAD_ORIGINALS, scope="readings:read", files=("application/octet-stream",)),
    change("/api/values", "values", "Store and assess values measured with a meter or by titration.",
           answered(typed_values.store_values, status=201), roles=CAN_TAKE_READINGS, scope="readings:take",
           body=MeasuredValuesBody, returns={201: (list[LabResult], "The stored results.")}),
)
