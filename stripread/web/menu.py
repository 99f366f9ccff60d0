"""Menu by role: at most five entries, and all pages of an account at the foot."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Final

from stripread.store.models.accounts import Role
from stripread.web.refusals import ADMINISTRATORS, ANALYSTS, CAN_TAKE_READINGS, EVERYONE, REVIEWERS

#: Largest number of entries in a phone's bar.
MOST: Final = 5


@dataclass(frozen=True, slots=True)
class MenuEntry:
    """``id``: its text in the section ``menu`` and its icon; ``roles``: who may open the page."""

    id: str
    path: str
    roles: frozenset[Role] = EVERYONE


_MANAGERS: Final[frozenset[Role]] = frozenset({"manager"})
#: All pages, in the order in which they are shown.
PAGES: Final = tuple(MenuEntry(*given) for given in (
    ("today", "/"), ("take", "/take", CAN_TAKE_READINGS), ("review", "/review", REVIEWERS),
    ("batches", "/batches", ANALYSTS), ("system", "/system", ADMINISTRATORS), ("sites", "/sites"),
    ("decisions", "/decisions", _MANAGERS), ("schedule", "/schedule"), ("readings", "/readings"), ("me", "/me")))
#: Pages that are only at the foot.
OTHERS: Final = tuple(MenuEntry(*given) for given in (
    ("accounts", "/accounts", ADMINISTRATORS), ("values", "/values", CAN_TAKE_READINGS),
    ("labels", "/labels"), ("reports", "/reports"),
    ("integration", "/integration"), ("help", "/help")))
#: What each role needs daily.
_DAILY: Final[dict[Role, tuple[str, ...]]] = {
    "technician": ("today", "take", "sites", "schedule", "me"),
    "analyst": ("today", "batches", "take", "readings", "me"),
    "reviewer": ("today", "review", "readings", "sites", "me"),
    "manager": ("today", "sites", "decisions", "schedule", "readings"),
    "administrator": ("today", "system", "readings", "sites", "me"),
}
#: Last entry of an account with more pages than the bar has room for: the foot of the page.
_MORE: Final = MenuEntry("more", "#more")


def menu(roles: AbstractSet[Role], there: AbstractSet[str]) -> list[MenuEntry]:
    """Return the entries of an account with these roles; ``there``: paths that exist."""
    daily = {id_ for role in roles for id_ in _DAILY[role]}
    found = [entry for entry in PAGES if entry.id in daily and entry.path in there]
    return found if len(found) <= MOST else [*found[: MOST - 1], _MORE]


def foot(roles: AbstractSet[Role], there: AbstractSet[str]) -> list[MenuEntry]:
    """Return all pages that an account with these roles may open."""
    return [entry for entry in (*PAGES, *OTHERS) if entry.path in there and entry.roles & roles]


def is_open(entry: MenuEntry, path: str) -> bool:
    """Return whether a page is the entry's own, or one below it."""
    return path == entry.path or (entry.path != "/" and path.startswith(f"{entry.path}/"))
