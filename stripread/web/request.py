"""Requests: the context in which a handler gets one, and what a route accepts of whom."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass, field
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Final, Literal, TypeVar

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from shared.decoders import from_json
from shared.errors import InputError
from shared.files import json_fault
from shared.notation import PLAIN, Notation
from stripread.store.models.accounts import Role
from stripread.store.models.record import Record
from stripread.store.schema import R
from stripread.store.sessions import Scope
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store
from stripread.web.authentication import Identity
from stripread.web.refusals import EVERYONE, HTTPRefusal
from stripread.web.state import AppState

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestContext:
    """``form``: the fields of a form, each with all its values; ``body``: the bytes of a request that is not a form."""

    http: Request
    app: AppState
    identity: Identity | None
    form: Mapping[str, list[str]] = field(default_factory=dict)
    body: bytes = b""

    @property
    def user(self) -> Identity:
        """Current user of a route that requires authentication."""
        if self.identity is None:
            raise HTTPRefusal(401, "sign-in")
        return self.identity

    @property
    def store(self) -> Store:
        """The records."""
        return self.app.store

    @property
    def account(self) -> str:
        """Id of the account of the current user."""
        return self.user.account

    @property
    def access(self) -> SiteAccess:
        """What the current user may see."""
        return self.user.access

    @property
    def notation(self) -> Notation:
        """Unit, decimal sign and time zone of the current user; in the API always the same."""
        return PLAIN if self.identity is None or self.http.url.path.startswith("/api/") else self.identity.preferences

    @property
    def address(self) -> str:
        """Client address, as reported by a trusted proxy if there is one."""
        return self.http.client.host if self.http.client else ""

    def path(self, name: str) -> str:
        """Return a path parameter."""
        return str(self.http.path_params[name])

    def one(self, type_: type[R], id_: str) -> R:
        """Return the record of an id. Raises HTTPRefusal (404) where the account sees none."""
        records = self.store.find(type_, id=id_)
        if not records or not self.access.includes_record(self.store, type_, id_):
            raise HTTPRefusal(404, "no-record")
        return records[0]

    def demand(self, type_: type[Record], id_: str) -> None:
        """Raise HTTPRefusal (404) for a record that the account may not see; one that does not exist passes."""
        if not self.access.includes_record(self.store, type_, id_) and self.store.ids(type_, id=id_):
            raise HTTPRefusal(404, "no-record")

    def field(self, name: str) -> str:
        """Return a form field; empty if missing."""
        return next(iter(self.form.get(name, [])), "")

    def query(self, name: str) -> str:
        """Return a query parameter; empty if missing."""
        return self.http.query_params.get(name, "")


Handler = Callable[[RequestContext], Response]


def one_of(values: tuple[T, ...], given: str, where: str) -> T:
    """Return the chosen value. Raises InputError for an unknown value."""
    for value in values:
        if value == given:
            return value
    raise InputError("is not one of the choices", where=where, found=repr(given[:80]),
                     allowed=", ".join(str(v) for v in values))


Method = Literal["GET", "POST", "PUT", "DELETE"]

FORM_BYTES: Final = 64 * 1024


@dataclass(frozen=True, slots=True)
class Endpoint:
    """``roles``: the user must have one of them. ``public``: no authentication is required.

    ``scope``: what a program's token must be for; None: users only. ``body``: type of a request in JSON; None: a form,
    or the bytes of a file. ``largest``: bytes of a request, which must arrive within ``seconds``.
    """

    method: Method
    path: str
    handler: Handler
    roles: frozenset[Role] = EVERYONE
    _: KW_ONLY
    public: bool = False
    scope: Scope | None = None
    body: type[msgspec.Struct] | None = None
    largest: int = FORM_BYTES
    seconds: float = 20.0

    @property
    def changes(self) -> bool:
        """Whether the route can change records."""
        return self.method != "GET"

    @property
    def of_api(self) -> bool:
        """Whether the route is for programs."""
        return self.path.startswith("/api/")


#: Endpoints by method: path, handler, roles.
get: Final = partial(Endpoint, "GET")
post: Final = partial(Endpoint, "POST")


def form_of(type_: type[msgspec.Struct], data: bytes) -> dict[str, list[str]]:
    """Return a request in JSON as the form of the page has it: the same fields, those of lists in the singular.

    Null and false are fields that are absent; true is "yes". Where a field may be null, false is "no". Raises
    InputError that names what is invalid.
    """
    try:
        body = from_json(data or b"{}", type_)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        fault = json_fault(str(error), type_, data)
        raise InputError(fault.what, where=fault.path or "body", found=fault.found, allowed=fault.allowed) from error
    fields = {f.name.replace("_", "-"): "no" if f.default is None and getattr(body, f.name) is False else
              getattr(body, f.name) for f in msgspec.structs.fields(type_)}
    return {(name.removesuffix("s") if isinstance(value, tuple) else name): _texts_of(value)
            for name, value in fields.items()}


def _texts_of(value: object) -> list[str]:
    match value:
        case None | False:
            return []
        case True:
            return ["yes"]
        case tuple():
            return [text for one in value for text in _texts_of(one)]
        case float():
            return [format(Decimal(repr(value)), "f")]
        case date():
            return [value.isoformat()]
        case _:
            return [str(value)]
