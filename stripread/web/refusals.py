"""A request that is refused: its status, and the id of the words that say why."""

from __future__ import annotations

from typing import Final

from stripread.store.models.accounts import ROLES, Role

EVERYONE: Final[frozenset[Role]] = frozenset(ROLES)
#: Who takes readings, and who may have a photograph as it was received, place and all.
CAN_TAKE_READINGS: Final[frozenset[Role]] = frozenset({"technician", "analyst"})
CAN_DOWNLOAD_ORIGINALS: Final[frozenset[Role]] = frozenset({"reviewer", "administrator"})
REVIEWERS: Final[frozenset[Role]] = frozenset({"reviewer"})
ADMINISTRATORS: Final[frozenset[Role]] = frozenset({"administrator"})


class HTTPRefusal(Exception):  # noqa: N818 - named as what it is
    """``words``: id in the section ``refused`` of the texts; ``wait_s``: when asking again may help."""

    def __init__(self, status: int, words: str, *, wait_s: int = 0) -> None:
        self.status = status
        self.words = words
        self.wait_s = wait_s
        super().__init__(f"{status} {words}")
