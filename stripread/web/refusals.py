"""Rejected request: status, and id of its message."""

from __future__ import annotations

from typing import Final

from stripread.store.models.accounts import ROLES, Role

EVERYONE: Final[frozenset[Role]] = frozenset(ROLES)
#: Roles that take readings, and roles that download original photographs with their metadata.
CAN_TAKE_READINGS: Final[frozenset[Role]] = frozenset({"technician", "analyst"})
CAN_DOWNLOAD_ORIGINALS: Final[frozenset[Role]] = frozenset({"reviewer", "administrator"})
#: Roles that record work on treatment units, tubes and cards.
CAN_MAINTAIN: Final[frozenset[Role]] = frozenset({"technician", "manager"})
ANALYSTS: Final[frozenset[Role]] = frozenset({"analyst"})
MANAGERS: Final[frozenset[Role]] = frozenset({"manager"})
REVIEWERS: Final[frozenset[Role]] = frozenset({"reviewer"})
ADMINISTRATORS: Final[frozenset[Role]] = frozenset({"administrator"})


class HTTPRefusal(Exception):  # noqa: N818 - named as what it is
    """``message``: id in the section ``refused`` of the texts; ``wait_s``: seconds for Retry-After."""

    def __init__(self, status: int, message: str, *, wait_s: int = 0) -> None:
        self.status = status
        self.message = message
        self.wait_s = wait_s
        super().__init__(f"{status} {message}")
