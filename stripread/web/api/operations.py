"""Requests of the API: parameters, and what each route returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal

import msgspec

from assess.decision import Verdict
from stripread.monitoring.schedule.intervals import DueItem, Kind
from stripread.monitoring.status import SiteStatus
from stripread.store.models.evidence import StoredReading
from stripread.store.reading_query import ReadingRow
from stripread.store.reading_status import ReviewStatus
from stripread.web.api.responses import BatchRow, DecisionRow, ListPage, Point, Preview, Result
from stripread.web.batches_view import ChartState
from stripread.web.listing import COUNTED
from stripread.web.selections import WEEKS, BatchOrder, DecisionOrder, DueOrder, Progress, SiteOrder, SiteVerdict

#: Items on a page: unless stated, and at most; the last offset of a page.
ITEMS, MOST_ITEMS, LAST_OFFSET = 50, 200, 1_000_000
#: Weeks that a list of due items may look ahead.
MOST_WEEKS = 104


def _moment(meaning: str) -> msgspec.Meta:
    return msgspec.Meta(description=f"{meaning}: ISO 8601 with UTC offset.", extra_json_schema={"format": "date-time"})


class ListQuery(msgspec.Struct, frozen=True):
    """Parameters of every list: which page of it."""

    limit: Annotated[int, msgspec.Meta(
        ge=1, le=MOST_ITEMS, description=f"Largest number of items on a page [default: {ITEMS}].")] = ITEMS
    offset: Annotated[int, msgspec.Meta(
        ge=0, le=LAST_OFFSET, description="Number of items before the page [default: 0].")] = 0


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
        description="Part of the name of site, sampling point or photograph, or the start of the reading's ID.")] = ""
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


_SITE_ID = msgspec.Meta(description="ID of the site.")
_GROUP_ID = msgspec.Meta(description="ID of the group of sites.")


class SitesQuery(ListQuery, frozen=True):
    """Parameters of the list of sites, as on the page Sites."""

    group: Annotated[str, _GROUP_ID] = ""
    search: Annotated[str, msgspec.Meta(
        description="Part of the name or ID of the site, or of the sampling point of its headline.")] = ""
    verdict: Annotated[SiteVerdict, msgspec.Meta(description="Verdict of the sites; none: never assessed.")] = "none"
    sort: Annotated[SiteOrder, msgspec.Meta(description="Order [default: severe, the most severe first].")] = "severe"


class DueQuery(ListQuery, frozen=True):
    """Parameters of the list of due items, as on the page Schedule."""

    group: Annotated[str, _GROUP_ID] = ""
    search: Annotated[str, msgspec.Meta(description="Part of the name of the site, the task or its reason.")] = ""
    what: Annotated[Kind, msgspec.Meta(description="Kind of the items.")] = "water"
    weeks: Annotated[int, msgspec.Meta(
        ge=1, le=MOST_WEEKS, description=f"Weeks to look ahead [default: {WEEKS}].")] = WEEKS
    sort: Annotated[DueOrder, msgspec.Meta(description="Order [default: date].")] = "date"


class BatchesQuery(ListQuery, frozen=True):
    """Parameters of the list of strip batches, as on the page Batches."""

    search: Annotated[str, msgspec.Meta(description="Part of the ID of the batch or of the name of its strips.")] = ""
    state: Annotated[ChartState, msgspec.Meta(
        description="State of the chart in use; none: the batch has no chart.")] = "none"
    sort: Annotated[BatchOrder, msgspec.Meta(
        description="Order [default: expiry, the latest expiry date first].")] = "expiry"


class DecisionsQuery(ListQuery, frozen=True):
    """Parameters of the list of decisions, as on the page Decisions."""

    site: Annotated[str, _SITE_ID] = ""
    search: Annotated[str, msgspec.Meta(description="Part of the name of the site or of the decision.")] = ""
    state: Annotated[Progress, msgspec.Meta(
        description="Whether something remains to be done; settled: verified or closed.")] = "open"
    sort: Annotated[DecisionOrder, msgspec.Meta(
        description="Order [default: latest, open decisions before settled ones].")] = "latest"


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ApiOperation:
    """What a route of the API takes and returns: ``query`` parameters, ``returns`` by status with its meaning."""

    id: str
    summary: str
    returns: Mapping[int, tuple[type[Any], str]]
    query: type[msgspec.Struct] | None = None
    errors: tuple[int, ...] = (401, 403, 422)
    uploads: bool = False
    description: str = ""

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of the parameters in the query."""
        return () if self.query is None else self.query.__struct_fields__


#: A list whose filter names a record that the account may not see is not found.
_LIST_ERRORS: Final = (401, 403, 404, 422)
_UPLOAD_ERRORS: Final = (400, 401, 403, 408, 413, 422, 503)
#: By method and path.
OPERATIONS: Final[Mapping[tuple[str, str], ApiOperation]] = {
    ("GET", "/api/openapi.json"): ApiOperation(
        id="description", summary="Return this description.",
        returns={200: (dict[str, Any], "The description.")}, errors=(422,)),
    ("GET", "/api/points"): ApiOperation(
        id="points", summary="Find sampling points by part of a site name, point name or ID.",
        query=PointsQuery, returns={200: (ListPage[Point], "A page of points, by site and name.")}),
    ("GET", "/api/readings"): ApiOperation(
        id="readings", summary="List current readings, newest sample first.", query=ReadingsQuery,
        description=f"`total` is null if there are more than {COUNTED:,}.",
        returns={200: (ListPage[ReadingRow], "A page of readings.")}, errors=_LIST_ERRORS),
    ("GET", "/api/sites"): ApiOperation(
        id="sites", summary="List the current status of sites, the most severe first.", query=SitesQuery,
        description="Each item has the verdict of the water nearest to the machine with its deviations, the next "
                    "action and all due items.",
        returns={200: (ListPage[SiteStatus], "A page of sites.")}, errors=_LIST_ERRORS),
    ("GET", "/api/due"): ApiOperation(
        id="due", summary="List overdue and due items by date.", query=DueQuery,
        description="Items of strips, phones, cards and technicians belong to no site: only an account without "
                    "restriction gets them, and only without `group`.",
        returns={200: (ListPage[DueItem], "A page of due items.")}, errors=_LIST_ERRORS),
    ("GET", "/api/batches"): ApiOperation(
        id="batches", summary="List strip batches with the state of their charts.", query=BatchesQuery,
        returns={200: (ListPage[BatchRow], "A page of batches.")}),
    ("GET", "/api/decisions"): ApiOperation(
        id="decisions", summary="List decisions on treatment with their steps.", query=DecisionsQuery,
        returns={200: (ListPage[DecisionRow], "A page of decisions.")}, errors=_LIST_ERRORS),
    ("POST", "/api/readings"): ApiOperation(
        id="take", summary="Upload a photograph for storage, evaluation and assessment.", query=UploadQuery,
        description="A response means that the photograph has been stored durably. Uploads are idempotent: retry if no "
                    "response arrives.",
        returns={201: (Result, "Stored and evaluated."),
                 200: (Result, "Stored before, or stored but could not be evaluated.")},
        errors=_UPLOAD_ERRORS, uploads=True),
    ("POST", "/api/previews"): ApiOperation(
        id="preview", summary="Evaluate a preview image provisionally; nothing is stored.", query=PreviewQuery,
        returns={200: (Preview, "Provisional result.")}, errors=_UPLOAD_ERRORS, uploads=True),
    ("GET", "/api/readings/{reading}"): ApiOperation(
        id="reading", summary="Return the summary of a reading.", returns={200: (Result, "The reading.")},
        errors=(401, 403, 404, 422)),
    ("GET", "/api/readings/{reading}/record"): ApiOperation(
        id="record", summary="Return the full record of a reading.", returns={200: (StoredReading, "The record.")},
        errors=(401, 403, 404, 422)),
}
