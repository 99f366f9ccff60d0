"""Help: pages of the manual with search; Integration: description of the API."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import msgspec
from starlette.responses import Response

from stripread.manual import library
from stripread.web.api.description import openapi
from stripread.web.listing import choice
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import page
from stripread.web.request import RequestContext

_BASE: Final = "/help"
_TYPES: Final = {"jpg": "image/jpeg", "png": "image/png", "svg": "image/svg+xml", "pdf": "application/pdf",
                 "json": "application/json"}


@dataclass(frozen=True, slots=True)
class Parameter:
    """A parameter of a request: ``place`` is path, query or body; ``type`` in words."""

    name: str
    place: str
    type: str
    about: str


@dataclass(frozen=True, slots=True)
class Operation:
    """A request of the API; ``answers``: status codes with their meaning; ``errors``: statuses of rejections."""

    method: str
    path: str
    summary: str
    about: str
    parameters: tuple[Parameter, ...]
    answers: tuple[tuple[str, str], ...]
    errors: tuple[str, ...]

    @property
    def area(self) -> str:
        """What it is about: the first part of its path."""
        part = self.path.split("/")[2]
        return "description" if part == "openapi.json" else part


def index(request: RequestContext) -> Response:
    """Return the contents of the manual, or the pages that contain the words searched for."""
    words = request.query("search").strip()
    if words:
        return page(request, "help-search.html", typed=words, found=library.search(words), base=_BASE)
    return _page(request, library.INDEX)


def show(request: RequestContext) -> Response:
    """Return a page of the manual."""
    return _page(request, request.path("topic"))


def file(request: RequestContext) -> Response:
    """Return a picture or a schema."""
    name = f"{request.path('folder')}/{request.path('name')}"
    content = library.linked_files().get(name)
    if content is None:
        raise HTTPRefusal(404, "not-found")
    return Response(content, media_type=_TYPES[name.rpartition(".")[2]])


def integration(request: RequestContext) -> Response:
    """Return the list of the API's requests, or the description of those of an area."""
    areas = tuple(dict.fromkeys(o.area for o in _operations()))
    return page(request, "integration.html", areas=areas, operations=_operations(),
                area=choice(request, "area", areas))


def _page(request: RequestContext, topic: str) -> Response:
    entry = library.manual_pages().get(topic)
    if entry is None:
        raise HTTPRefusal(404, "not-found")
    contents = [(library.anchor(heading), heading) for heading in library.headings(topic)]
    return page(request, "help.html", title=entry.title, topic=topic, text=library.as_html(topic, _BASE), base=_BASE,
                contents=contents if topic != library.INDEX else (), is_index=topic == library.INDEX)


@cache
def _operations() -> tuple[Operation, ...]:
    return tuple(_described(msgspec.json.decode(openapi())))


def _described(api: Mapping[str, Any]) -> Iterator[Operation]:
    for path, methods in api["paths"].items():
        for method, given in methods.items():
            yield Operation(
                method.upper(), path, given["summary"], _about(api, given),
                (*(Parameter(p["name"], p["in"], _type(p["schema"]), p.get("description", ""))
                   for p in given.get("parameters", ())), *_body(api, given)),
                tuple((status, str(response["description"])) for status, response in given["responses"].items()
                      if "description" in response),
                tuple(status for status, response in given["responses"].items() if "$ref" in response))


def _about(api: Mapping[str, Any], given: Mapping[str, Any]) -> str:
    """Return the description of a request and of its body."""
    of_body = _schema(api, given).get("description", "")
    return " ".join(filter(None, (given.get("description"), of_body.replace("`", ""))))


def _schema(api: Mapping[str, Any], given: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the schema of a body in JSON; empty for another body."""
    content = given.get("requestBody", {}).get("content", {}).get("application/json", {})
    schema: Mapping[str, Any] = api["components"]["schemas"].get(
        content.get("schema", {}).get("$ref", "").rpartition("/")[2], {})
    return schema


def _body(api: Mapping[str, Any], given: Mapping[str, Any]) -> Iterator[Parameter]:
    """Yield the fields of a body in JSON, or the bytes of a file."""
    for media_type in given.get("requestBody", {}).get("content", {}).keys() - {"application/json"}:
        yield Parameter("bytes", "body", media_type, given["requestBody"]["description"])
    schema = _schema(api, given)
    for name, field in schema.get("properties", {}).items():
        needed = "" if name in schema["required"] else ", optional"
        yield Parameter(name, "body", f"{_type(field)}{needed}", field.get("description", ""))


def _type(schema: Mapping[str, Any]) -> str:
    if "anyOf" in schema:
        return " or ".join(filter(None, map(_type, schema["anyOf"])))
    if "enum" in schema:
        return ", ".join(str(value) for value in schema["enum"])
    if "items" in schema:
        return f"array of {_type(schema['items'])}"
    return str(schema.get("format") or schema.get("type", ""))
