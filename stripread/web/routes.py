"""Route: its path, handler and required roles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from stripread.store.models.accounts import Role
from stripread.store.sessions import Scope
from stripread.web.refusals import EVERYONE
from stripread.web.request import Handler

Method = Literal["GET", "POST", "PUT", "DELETE"]

FORM_BYTES: Final = 64 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """``roles``: the user must have one of them. ``public``: no authentication is required.

    ``scope``: what a program's token must be for; None: users only. ``largest``: bytes of a request, which must
    arrive within ``seconds``.
    """

    method: Method
    path: str
    handler: Handler
    roles: frozenset[Role] = EVERYONE
    public: bool = False
    scope: Scope | None = None
    largest: int = FORM_BYTES
    seconds: float = 20.0

    @property
    def changes(self) -> bool:
        """Whether the route can change records."""
        return self.method != "GET"
