"""State of the system for administrators: measures on their limits, contents, accounts, settings."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final, Literal, get_args

from starlette.responses import Response

from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.store.contents import count_contents
from stripread.store.models.accounts import ROLES
from stripread.web.listing import ROWS, choice, csv_file, downloads, list_address, page_number
from stripread.web.rendering import page
from stripread.web.request import RequestContext
from stripread.web.system_view import AccountUse, account_use, measures, setting_lines

Order = Literal["name", "used"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)
_NEVER: Final = datetime.min.replace(tzinfo=UTC)


def show(ask: RequestContext) -> Response:
    """Return the page, or its list of accounts as a file."""
    accounts = _filtered(ask, account_use(ask.house.store))
    if downloads(ask):
        return csv_file("accounts", _table(accounts))
    first = page_number(ask) * ROWS
    settings = setting_lines(ask.house)
    return page(
        ask, "system.html", address=list_address(ask), measures=measures(ask.house.store),
        contents=count_contents(ask.house.store), failed=ask.house.metrics.failed_sign_ins(), settings=settings,
        from_environment=sum(s.source == "environment" for s in settings), roles=ROLES, orders=_ORDERS,
        accounts=accounts[first:first + ROWS], total=len(accounts),
        further=page_number(ask) + 1 if len(accounts) > first + ROWS else "")


def _filtered(ask: RequestContext, found: Sequence[AccountUse]) -> list[AccountUse]:
    typed, role = ask.query("search").strip().casefold(), choice(ask, "role", ROLES)
    kept = [a for a in found if typed in f"{a.account.name or ''} {a.account.account}".casefold()
            and (role is None or role in a.account.roles)]
    if choice(ask, "sort", _ORDERS) == "used":
        return sorted(kept, key=lambda a: a.used or _NEVER, reverse=True)
    return kept


def _table(found: Sequence[AccountUse]) -> ReadingsTable:
    texts = tuple(TableColumn(name, str) for name in ("account", "name", "roles", "state", "last use [UTC]"))
    numbers = tuple(TableColumn(name, float) for name in ("sessions", "tokens"))
    return ReadingsTable((*texts, *numbers), tuple(
        (a.account.account, a.account.name, " ".join(a.account.roles), "active" if a.account.active else "deactivated",
         a.used.isoformat() if a.used else None, a.sessions, a.tokens) for a in found))
