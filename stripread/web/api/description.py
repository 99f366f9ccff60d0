"""The JSON API: types of its responses, and its OpenAPI description, generated from them and the route table."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Final, Literal

import msgspec

from assess.decision import Verdict
from shared.estimate import Measurement, Status
from stripread.intake.process import IntakeResult
from stripread.reading.result import Reading
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.models.sites import Place
from stripread.store.reading_query import ReadingRow
from stripread.web.capture import all_flags, should_retake
from stripread.web.error_handlers import Problem
from stripread.web.request import Endpoint


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


Json = dict[str, Any]

_REFERENCE: Final = "#/components/schemas/{name}"
_PATH: Final = re.compile(r"\{(\w+)\}")


def _moment(meaning: str) -> msgspec.Meta:
    return msgspec.Meta(description=f"{meaning}: ISO 8601 with UTC offset.", extra_json_schema={"format": "date-time"})


class PointsQuery(msgspec.Struct, frozen=True):
    """Parameters of the search for sampling points."""

    search: Annotated[str, msgspec.Meta(description="Part of a name or ID; empty: all.")] = ""


class ReadingsQuery(msgspec.Struct, frozen=True):
    """Parameters of the list of readings; without a parameter the list is not filtered by it."""

    site: Annotated[str, msgspec.Meta(description="ID of the site.")] = ""
    point: Annotated[str, msgspec.Meta(description="ID of the sampling point.")] = ""
    batch: Annotated[str, msgspec.Meta(description="ID of the strip batch.")] = ""
    since: Annotated[str, _moment("First time of sampling")] = ""
    until: Annotated[str, _moment("Last time of sampling")] = ""
    flag: Annotated[str, msgspec.Meta(description="ID of a flag that the readings have.")] = ""
    status: Annotated[
        Literal["measured", "no-result"], msgspec.Meta(description="Status of the readings.")] = "measured"
    verdict: Annotated[Verdict, msgspec.Meta(description="Verdict of the readings.")] = "within-limits"
    limit: Annotated[int, msgspec.Meta(ge=1, le=200, description="Largest number of readings [default: 50].")] = 50
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


_UPLOAD_ERRORS: Final = (400, 401, 403, 408, 413, 422, 503)
#: By method and path.
OPERATIONS: Final[Mapping[tuple[str, str], ApiOperation]] = {
    ("GET", "/api/openapi.json"): ApiOperation(
        id="description", summary="Return this description.",
        returns={200: (dict[str, Any], "The description.")}, errors=(422,)),
    ("GET", "/api/points"): ApiOperation(
        id="points", summary="Find sampling points by part of a site name, point name or ID; at most 20.",
        query=PointsQuery, returns={200: (list[Point], "Points by site and name.")}),
    ("GET", "/api/readings"): ApiOperation(
        id="readings", summary="List current readings, newest sample first.", query=ReadingsQuery,
        returns={200: (list[ReadingRow], "Readings; at most `limit`.")}),
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
_INFO: Final = {
    "title": "stripread", "version": "1", "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
    "description": "JSON API of stripread. Each value has a 95 % interval; flags state problems and corrective "
                   "actions. No statement is made on whether the water is safe to drink."}
_TOKEN: Final = {"type": "http", "scheme": "bearer",
                 "description": "API token, created on the page Me; limited by its scopes and by the roles of its "
                                "account."}
_BODY: Final = {"required": True, "description": "The bytes of the photograph: JPEG, PNG, TIFF, WebP or HEIC.",
                "content": {"application/octet-stream": {
                    "schema": {"type": "string", "contentMediaType": "application/octet-stream"}}}}


def describe(endpoints: Iterable[Endpoint]) -> Json:
    """Return the OpenAPI 3.1 description of the routes under /api/. Raises KeyError for one without an operation."""
    schemas, paths = _Schemas(), dict[str, Json]()
    for endpoint in endpoints:
        if endpoint.path.startswith("/api/"):
            found = _operation(endpoint, OPERATIONS[endpoint.method, endpoint.path], schemas)
            paths.setdefault(endpoint.path, {})[endpoint.method.lower()] = found
    problem = {"description": "Rejected; the body states the reason.",
               "content": {"application/problem+json": {"schema": schemas.of(Problem)}}}
    return {"openapi": "3.1.0", "info": _INFO, "servers": [{"url": "/"}], "security": [{"token": []}], "paths": paths,
            "components": {"schemas": schemas.components, "responses": {"Rejected": problem},
                           "securitySchemes": {"token": _TOKEN}}}


@dataclass(frozen=True, slots=True)
class _Schemas:
    """Schemas of the types used so far, by name."""

    components: Json = field(default_factory=dict)

    def of(self, type_: type[Any]) -> Json:
        """Return the schema of a type; those it refers to become components."""
        (schema,), components = msgspec.json.schema_components([type_], ref_template=_REFERENCE)
        self.components.update(components)
        return schema

    def properties(self, query: type[msgspec.Struct]) -> tuple[Json, list[str]]:
        """Return the schemas of a struct's fields, without defaults, and the names of the required ones."""
        components = msgspec.json.schema_components([query])[1][query.__name__]
        found = {name: {k: v for k, v in schema.items() if k != "default"}
                 for name, schema in components["properties"].items()}
        return found, components["required"]


def _operation(endpoint: Endpoint, operation: ApiOperation, schemas: _Schemas) -> Json:
    scope = f" Scope {endpoint.scope}." if endpoint.scope else ""
    returns = {str(status): {"description": text, "content": {"application/json": {"schema": schemas.of(type_)}}}
               for status, (type_, text) in operation.returns.items()}
    errors = {str(status): {"$ref": "#/components/responses/Rejected"} for status in operation.errors}
    return {
        "operationId": operation.id, "summary": operation.summary + scope,
        **({"description": operation.description} if operation.description else {}),
        **({"security": []} if endpoint.public else {}),
        "parameters": [*_path_parameters(endpoint.path), *_query_parameters(operation.query, schemas)],
        **({"requestBody": _BODY} if operation.uploads else {}), "responses": {**returns, **errors}}


def _path_parameters(path: str) -> list[Json]:
    return [{"name": name, "in": "path", "required": True, "description": f"ID of the {name}.",
             "schema": {"type": "string", "minLength": 1}} for name in _PATH.findall(path)]


def _query_parameters(query: type[msgspec.Struct] | None, schemas: _Schemas) -> list[Json]:
    if query is None:
        return []
    properties, required = schemas.properties(query)
    return [{"name": name, "in": "query", "required": name in required, "description": schema.pop("description"),
             "schema": schema} for name, schema in properties.items()]
