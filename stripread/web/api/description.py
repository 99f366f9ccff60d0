"""All operations of the API, and their OpenAPI description, generated from their parameters and types."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

import msgspec
from starlette.responses import Response

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
    required = any(f.required for f in msgspec.structs.fields(body))
    return {"requestBody": {"required": required, "content": {"application/json": {"schema": schemas.of(body)}}}}


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
