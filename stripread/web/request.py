"""A request as acts see it, once it is known who asks and that they may."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from starlette.requests import Request
from starlette.responses import Response

from shared.errors import InputError
from stripread.store.schema import R
from stripread.web.identity import Identity
from stripread.web.refusals import HTTPRefusal
from stripread.web.state import AppState

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestContext:
    """``form``: the fields of a form, each with all its values; ``body``: what was sent where it is no form."""

    request: Request
    house: AppState
    visitor: Identity | None
    form: Mapping[str, list[str]] = field(default_factory=dict)
    body: bytes = b""

    @property
    def who(self) -> Identity:
        """Who asks, where the route admits nobody unknown."""
        if self.visitor is None:
            raise HTTPRefusal(401, "sign-in")
        return self.visitor

    @property
    def address(self) -> str:
        """The address the request came from, a trusted proxy aside."""
        return self.request.client.host if self.request.client else ""

    def path(self, name: str) -> str:
        """A part of the path."""
        return str(self.request.path_params[name])

    def one(self, type_: type[R], id_: str) -> R:
        """The record of an id that somebody gave. Raises Refused (404) where there is none."""
        found = self.house.store.find(type_, id=id_)
        if not found:
            raise HTTPRefusal(404, "not-found")
        return found[0]

    def field(self, name: str) -> str:
        """The text of a form's field; empty where there is none."""
        return next(iter(self.form.get(name, [])), "")

    def query(self, name: str) -> str:
        """A parameter of the address; empty where there is none."""
        return self.request.query_params.get(name, "")


Act = Callable[[RequestContext], Response]


def one_of(values: tuple[T, ...], given: str, where: str) -> T:
    """The value that was chosen. Raises InputError where it is none of them."""
    for value in values:
        if value == given:
            return value
    raise InputError("is none of the choices", where=where, found=repr(given[:80]),
                     allowed=", ".join(str(v) for v in values))
