"""A way in: its path, the act behind it, and who may take it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from stripread.store.models.accounts import Role
from stripread.store.tokens import Scope
from stripread.web.refusals import EVERYONE
from stripread.web.request import Act

Method = Literal["GET", "POST", "PUT", "DELETE"]

FORM_BYTES: Final = 64 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """``roles``: one of which a visitor must have. ``unknown``: nobody needs to say who they are.

    ``scope``: what a program's token must be for; None: people only. ``largest``: bytes of a request, which must
    arrive within ``seconds``.
    """

    method: Method
    path: str
    act: Act
    roles: frozenset[Role] = EVERYONE
    unknown: bool = False
    scope: Scope | None = None
    largest: int = FORM_BYTES
    seconds: float = 20.0

    @property
    def changes(self) -> bool:
        """Whether it may change something."""
        return self.method != "GET"
