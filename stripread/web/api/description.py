"""All operations of the API, and their OpenAPI description, generated from their parameters and types."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

import msgspec
from starlette.responses import Response

from shared.analytes import ANALYTES, capitalise
from stripread.web.api.administration import ACCOUNTS, OWN, SYSTEM
from stripread.web.api.bulk import BULK
from stripread.web.api.materials import BATCHES, CARDS
from stripread.web.api.operations import ApiOperation, read
from stripread.web.api.readings import READINGS
from stripread.web.api.review import REVIEW
from stripread.web.api.sites import SITES
from stripread.web.error_handlers import Problem
from stripread.web.request import Endpoint, RequestContext

Json = dict[str, Any]

_BYTES: Final = "application/octet-stream"
_REFERENCE: Final = "#/components/schemas/{name}"
_PATH: Final = re.compile(r"\{(\w+)(?::path)?\}")
_INFO: Final = {
    "title": "stripread", "version": "1", "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
    "description": "JSON API of stripread. Each value has a 95 % interval; flags state problems and corrective "
                   "actions. No statement is made on whether the water is safe to drink."}
_TOKEN: Final = {"type": "http", "scheme": "bearer",
                 "description": "API token, created on the page Me; limited by its scopes and by the roles of its "
                                "account."}

_ANALYTES: Final = ("hardness", "alkalinity", "ph", "chloride", "chlorine")
#: Descriptions of the fields of bodies that do not state their own; a name means the same in all of them.
_FIELDS: Final[Mapping[str, str]] = {
    **{a: f"{capitalise(ANALYTES[a].name)} [{ANALYTES[a].unit}]." for a in _ANALYTES},
    **{f"u_{a}": "Half of the 95 % interval, in the same unit." for a in _ANALYTES},
    "point": "ID of the sampling point.", "site": "ID of the site.", "unit": "ID of the treatment unit.",
    "tube": "ID of the tube.", "card": "ID of the card.", "batch": "ID of the strip batch, as on its label.",
    "reading": "ID of a reading, or of the assessment of a sample.", "catalogue": "ID of the unit in the catalogue.",
    "profile": "ID of the card profile.", "sha256": "SHA-256 of the photograph.", "run": "Number of the print run.",
    "session": "`hash` of the session.", "token": "`hash` of the token.", "done": "`done` of the response.",
    "method": "How it was measured.", "analyte": "ID of the analyte.", "value": "Value in the analyte's own unit.",
    "uncertainty": "Half of the 95 % interval.", "fault": "What is wrong.",
    "seen": "ID of the last decision that was seen.", "note": "The note.",
    "corners": "Corners of the card: x,y x,y x,y x,y in pixels.", "pads": "Pads: analyte=x,y analyte=x,y ...",
    "use_corners": "Whether the corners are used.", "use_pads": "Whether the pads are used.",
    "form": "Format of the response.", "kind": "Kind of the work.", "what": "What is to be done.",
    "state": "The next state.", "count": "Number in stock.", "setting": "Setting, percent.",
    "table": "The table as text, with its header.", "days": "Days between tests.", "since": "First day of the set.",
    "limits": "Name of the set of limits.", "until": "Last day of the release.", "expires": "Date of expiry.",
    "keeps": "Days for which an opened tube may be used.", "plan": "The plan (TOML).",
    "include": "Whether to include it again.", "first_used": "Day of first use.", "name": "Name.", "roles": "Roles.",
    "sign_in": "Name to sign in with.", "active": "Whether the account is active.",
    "groups": "IDs of groups of sites.", "comma": "Whether numbers have a decimal comma.",
    "zone": "Time zone (IANA name).", "present": "The current password.", "scopes": "Scopes."}


def describe(operations: Iterable[ApiOperation]) -> Json:
    """Return the OpenAPI 3.1 description of operations."""
    schemas, paths = _Schemas(), dict[str, Json]()
    for operation in operations:
        path = _PATH.sub(r"{\1}", operation.path)
        paths.setdefault(path, {})[operation.method.lower()] = _operation(operation, schemas)
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
        for component in components.values():
            # A docstring quotes names as reStructuredText does, OpenAPI as Markdown.
            component["description"] = component.get("description", "").replace("``", "`")
        self.components.update(components)
        return schema

    def properties(self, query: type[msgspec.Struct]) -> tuple[Json, list[str]]:
        """Return the schemas of a struct's fields, without defaults, and the names of the required ones."""
        components = msgspec.json.schema_components([query])[1][query.__name__]
        found = {name: {k: v for k, v in schema.items() if k != "default"}
                 for name, schema in components["properties"].items()}
        return found, components["required"]


def _operation(operation: ApiOperation, schemas: _Schemas) -> Json:
    scope = f" Scope {operation.scope}." if operation.scope else ""
    errors = {str(status): {"$ref": "#/components/responses/Rejected"} for status in operation.errors}
    return {
        "operationId": operation.id, "summary": operation.summary + scope,
        **({"description": operation.description} if operation.description else {}),
        **({"security": []} if operation.public else {}),
        "parameters": [*_path_parameters(operation.path), *_query_parameters(operation.query, schemas)],
        **_request_body(operation, schemas), "responses": {**_responses(operation, schemas), **errors}}


def _request_body(operation: ApiOperation, schemas: _Schemas) -> Json:
    if operation.uploads:
        file = {"type": "string", "contentMediaType": _BYTES}
        return {"requestBody": {"required": True, "description": operation.uploads,
                                "content": {_BYTES: {"schema": file}}}}
    body = operation.request_body
    if body is None:
        return {}
    schema = schemas.of(body)
    for name, field_ in schemas.components[body.__name__].get("properties", {}).items():
        if "description" not in field_:
            field_["description"] = _FIELDS[name]
    required = any(f.required for f in msgspec.structs.fields(body))
    return {"requestBody": {"required": required, "content": {"application/json": {"schema": schema}}}}


def _responses(operation: ApiOperation, schemas: _Schemas) -> Json:
    files = {media_type: {"schema": {"type": "string"}} for media_type in operation.files}
    if not operation.returns:
        return {"200": {"description": "The file.", "content": files}}
    return {str(status): {"description": text, "content": {"application/json": {"schema": schemas.of(type_)}, **files}}
            for status, (type_, text) in operation.returns.items()}


def _path_parameters(path: str) -> list[Json]:
    return [{"name": name, "in": "path", "required": True, "description": f"ID of the {name}.",
             "schema": {"type": "string", "minLength": 1}} for name in _PATH.findall(path)]


def _query_parameters(query: type[msgspec.Struct] | None, schemas: _Schemas) -> list[Json]:
    if query is None:
        return []
    properties, required = schemas.properties(query)
    return [{"name": name, "in": "query", "required": name in required, "description": schema.pop("description"),
             "schema": schema} for name, schema in properties.items()]


@cache
def openapi() -> bytes:
    """Return the OpenAPI description as JSON."""
    return msgspec.json.encode(describe(OPERATIONS))


def _description(_request: RequestContext) -> Response:
    return Response(openapi(), media_type="application/json")


#: All operations; a path that may contain others comes after them.
OPERATIONS: Final[tuple[ApiOperation, ...]] = (
    read("/api/openapi.json", "description", "Return this description.", _description, public=True,
         returns={200: (dict[str, Any], "The description.")}),
    *READINGS, *REVIEW, *SITES, *BULK, *BATCHES, *CARDS, *ACCOUNTS, *SYSTEM, *OWN)
API: Final[tuple[Endpoint, ...]] = tuple(operation.endpoint for operation in OPERATIONS)
