"""OpenAPI description of the API, generated from the route table, the parameters and the types of the responses."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import msgspec

from stripread.web.api.operations import OPERATIONS, ApiOperation
from stripread.web.error_handlers import Problem
from stripread.web.request import Endpoint

Json = dict[str, Any]

_REFERENCE: Final = "#/components/schemas/{name}"
_PATH: Final = re.compile(r"\{(\w+)\}")
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
