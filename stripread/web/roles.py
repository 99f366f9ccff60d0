"""Which roles may do what, where more than one act asks."""

from __future__ import annotations

from typing import Final

from stripread.store.models.accounts import ROLES, Role

EVERYONE: Final[frozenset[Role]] = frozenset(ROLES)
#: Who takes readings, and who may have a photograph as it was received, place and all.
CAN_TAKE_READINGS: Final[frozenset[Role]] = frozenset({"technician", "analyst"})
CAN_DOWNLOAD_ORIGINALS: Final[frozenset[Role]] = frozenset({"reviewer", "administrator"})
REVIEWERS: Final[frozenset[Role]] = frozenset({"reviewer"})
ADMINISTRATORS: Final[frozenset[Role]] = frozenset({"administrator"})
