"""Operations of the API: what a request takes and returns, and its handler, which calls what the pages call."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, field
from datetime import datetime
from functools import partial, wraps
from typing import Annotated, Any, Final, Generic, Literal, TypeVar

import msgspec
from starlette.responses import Response

from shared.errors import InputError
from shared.files import NOT_EMPTY
from stripread.store.models.accounts import Role
from stripread.store.sessions import Scope
from stripread.web.error_handlers import json
from stripread.web.listing import list_address
from stripread.web.refusals import EVERYONE
from stripread.web.request import FORM_BYTES, Endpoint, Handler, Method, RequestContext

S = TypeVar("S")

#: Statuses of rejected requests: of those that read, and of those that change records.
_READ_ERRORS: Final = (401, 403, 404, 422)
_CHANGE_ERRORS: Final = (400, *_READ_ERRORS, 408, 413, 503)


#: Items on a page: unless stated, and at most; the last offset of a page.
ITEMS, MOST_ITEMS, LAST_OFFSET = 50, 200, 1_000_000


class ListPage(msgspec.Struct, Generic[S], frozen=True, kw_only=True):
    """A page of a list.

    ``total``: number of items under the filters on all pages, null where they are more than are counted. ``next``:
    address of the next page, null on the last page.
    """

    items: tuple[S, ...]
    total: int | None
    next: str | None


class ListQuery(msgspec.Struct, frozen=True):
    """Parameters of every list: which page of it."""

    limit: Annotated[int, msgspec.Meta(
        ge=1, le=MOST_ITEMS, description=f"Largest number of items on a page [default: {ITEMS}].")] = ITEMS
    offset: Annotated[int, msgspec.Meta(
        ge=0, le=LAST_OFFSET, description="Number of items before the page [default: 0].")] = 0


#: A reason that is required, and one that may be empty.
Why = Annotated[str, msgspec.Meta(description="Reason, for the audit trail.", pattern=NOT_EMPTY, max_length=2000)]
Remark = Annotated[str, msgspec.Meta(description="Reason or remark, for the audit trail.", max_length=2000)]


class Body(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A request in JSON."""


class EmptyBody(Body, frozen=True):
    """No fields; an empty body is the same."""


class RemarkBody(Body, frozen=True):
    """A remark."""

    why: Remark = ""


class ReasonBody(Body, frozen=True):
    """A reason."""

    why: Why


class NameQuery(msgspec.Struct, frozen=True):
    """Parameters of an uploaded file."""

    name: Annotated[str, msgspec.Meta(description="Name of the file, as the record states it.")] = ""


class FileQuery(msgspec.Struct, frozen=True):
    """Parameters of a document."""

    form: Annotated[Literal["html", "pdf"], msgspec.Meta(description="Format [default: html].")] = "html"


@dataclass(frozen=True, slots=True)
class ApiOperation:
    """A route of the API. ``returns``: types by status with their meaning; ``query``: parameters.

    ``body``: type of a request in JSON; ``uploads``: what else its body is. ``files``: media types of a response that
    is a file. ``more_errors``: statuses of rejected requests besides the usual ones. ``limits``: as in `Endpoint`.
    """

    method: Method
    path: str
    id: str
    summary: str
    handler: Handler
    _: KW_ONLY
    returns: Mapping[int, tuple[type[Any], str]] = field(default_factory=dict)
    files: tuple[str, ...] = ()
    query: type[msgspec.Struct] | None = None
    body: type[msgspec.Struct] | None = None
    uploads: str = ""
    roles: frozenset[Role] = EVERYONE
    scope: Scope | None = None
    public: bool = False
    limits: tuple[int, float] = (FORM_BYTES, 20.0)
    more_errors: tuple[int, ...] = ()
    description: str = ""

    @property
    def request_body(self) -> type[msgspec.Struct] | None:
        """Type of the body in JSON; a change that needs no field has an empty object."""
        return None if self.method == "GET" or self.uploads else self.body or EmptyBody

    @property
    def errors(self) -> tuple[int, ...]:
        """Statuses of rejected requests."""
        usual = (422,) if self.public else _READ_ERRORS if self.method == "GET" else _CHANGE_ERRORS
        return tuple(sorted({*usual, *self.more_errors}))

    @property
    def endpoint(self) -> Endpoint:
        """The route, with a handler that rejects parameters which the description does not have."""
        allowed = () if self.query is None else self.query.__struct_fields__

        @wraps(self.handler)
        def strict(request: RequestContext) -> Response:
            _check_parameters([name for name, _ in request.http.query_params.multi_items()], allowed)
            return self.handler(request)

        largest, seconds = self.limits
        return Endpoint(self.method, self.path, strict, self.roles, public=self.public, scope=self.scope,
                        body=self.request_body, largest=largest, seconds=seconds)


#: Operations by method: path, ID, summary, handler.
read: Final = partial(ApiOperation, "GET")
change: Final = partial(ApiOperation, "POST")


def _check_parameters(given: Sequence[str], allowed: Sequence[str]) -> None:
    for name in given:
        if name not in allowed:
            raise InputError("is not a parameter of this request", where=name[:80],
                             allowed=", ".join(allowed) or "no parameters")
        if given.count(name) > 1:
            raise InputError("is stated more than once", where=name, allowed="one value")


def _itself(value: object) -> object:
    return value


def answered(act: Callable[[RequestContext], S], row: Callable[[S], object] = _itself, status: int = 200) -> Handler:
    """Return the handler that answers with what a function of the pages returns, as a row."""
    def handler(request: RequestContext) -> Response:
        return json(row(act(request)), status)

    return handler


def listed(found: Callable[[RequestContext], Sequence[S]], row: Callable[[S], object] = _itself) -> Handler:
    """Return the handler that answers with the page of a list that the request asks for, as rows."""
    def handler(request: RequestContext) -> Response:
        first, most, items = number(request, "offset", 0, 0, LAST_OFFSET), limit(request), found(request)
        further = list_address(request).link(offset=first + most) if len(items) > first + most else None
        return json(ListPage(items=tuple(map(row, items[first:first + most])), total=len(items), next=further))

    return handler


def in_utc(stamp: str) -> str:
    """Return a time of an index in the form that all responses have (RFC 3339, UTC as Z)."""
    return datetime.fromisoformat(stamp).isoformat().replace("+00:00", "Z")


def limit(request: RequestContext) -> int:
    """Return the largest number of items on a page."""
    return number(request, "limit", ITEMS, 1, MOST_ITEMS)


def number(request: RequestContext, name: str, usual: int, least: int, most: int) -> int:
    """Return a parameter that is a number. Raises InputError."""
    text = request.query(name) or str(usual)
    if not (text.isascii() and text.isdigit() and least <= int(text[:9]) <= most):
        raise InputError("is not a valid number", where=name, found=repr(text[:20]), allowed=f"{least} to {most}")
    return int(text)
