"""List of accounts with their use, for the pages System and Accounts: search, role, order, download."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final, Literal, get_args

from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.store.models.accounts import ROLES
from stripread.web.listing import choice
from stripread.web.request import RequestContext
from stripread.web.system_view import AccountUse, account_use

Order = Literal["name", "used"]
ORDERS: Final[tuple[Order, ...]] = get_args(Order)
_NEVER: Final = datetime.min.replace(tzinfo=UTC)


def listed_accounts(request: RequestContext) -> list[AccountUse]:
    """Return the accounts that match the search and the role of the request, in its order."""
    typed, role = request.query("search").strip().casefold(), choice(request, "role", ROLES)
    found = [a for a in account_use(request.store)
             if typed in f"{a.account.name or ''} {a.account.sign_in or ''} {a.account.account}".casefold()
             and (role is None or role in a.account.roles)]
    if choice(request, "sort", ORDERS) == "used":
        return sorted(found, key=lambda a: max(a.used or _NEVER, a.signed_in or _NEVER), reverse=True)
    return found


def account_table(found: Sequence[AccountUse]) -> ReadingsTable:
    """Return the accounts as a table to download."""
    texts = tuple(TableColumn(name, str) for name in (
        "account", "name", "roles", "state", "last sign-in [UTC]", "last use [UTC]"))
    numbers = tuple(TableColumn(name, float) for name in ("sessions", "tokens"))
    return ReadingsTable((*texts, *numbers), tuple(
        (a.account.account, a.account.name, " ".join(a.account.roles), "active" if a.account.active else "deactivated",
         _text(a.signed_in), _text(a.used), a.sessions, a.tokens) for a in found))


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
