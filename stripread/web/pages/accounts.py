"""Administration of accounts: list with search, roles, restriction to groups, sign-in, password, sessions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Final, Literal, get_args

from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.store import accounts
from stripread.store.accounts import SignIn
from stripread.store.models.accounts import ROLES, Account, Role
from stripread.store.models.sites import SiteGroup
from stripread.web.listing import ROWS, choice, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of
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


def show(request: RequestContext) -> Response:
    """All accounts, or a file of them."""
    if downloads(request):
        return csv_file("accounts", account_table(listed_accounts(request)))
    return _shown(request)


def add(request: RequestContext) -> Response:
    """Create an account with an initial password."""
    return _done(request, lambda: accounts.create_account(
        request.store, request.field("name"), _roles(request), by=request.account, sign_in=_sign_in(request)))


def change(request: RequestContext) -> Response:
    """Set roles, deactivate, reactivate."""
    return _done(request, lambda: accounts.change_account(
        request.store, _account(request), by=request.account, roles=_roles(request),
        active=request.field("active") == "yes"))


def restrict(request: RequestContext) -> Response:
    """Restrict an account to groups of sites, or lift the restriction."""
    return _done(request, lambda: accounts.restrict_account(
        request.store, _account(request), request.form.get("groups", []), by=request.account))


def add_sign_in(request: RequestContext) -> Response:
    """Enable sign-in for an account created on the command line."""
    return _done(request, lambda: accounts.add_sign_in(
        request.store, _account(request), _sign_in(request), by=request.account))


def set_password(request: RequestContext) -> Response:
    """Reset a forgotten password; sessions and tokens of the account end."""
    return _done(request, lambda: accounts.reset_password(
        request.store, _account(request), request.app.passwords.hash(request.field("password")), by=request.account))


def end_sessions(request: RequestContext) -> Response:
    """End all sessions and tokens of an account."""
    return _done(request, lambda: accounts.end_sessions(request.store, _account(request), by=request.account))


def _done(request: RequestContext, change: Callable[[], object]) -> Response:
    """Apply the change and return to the list, which shows why a change was rejected."""
    try:
        change()
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go("/accounts")


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    found, first = listed_accounts(request), page_number(request) * ROWS
    return page(request, "accounts.html", status=status, wrong=wrong, address=list_address(request),
                found=found[first:first + ROWS], total=len(found), orders=ORDERS,
                further=page_number(request) + 1 if len(found) > first + ROWS else "",
                roles=ROLES, groups=[] if request.access.groups else request.store.find(SiteGroup))


def _account(request: RequestContext) -> str:
    return request.one(Account, request.path("account")).id


def _sign_in(request: RequestContext) -> SignIn:
    return SignIn(request.field("sign-in"), request.app.passwords.hash(request.field("password")))


def _roles(request: RequestContext) -> tuple[Role, ...]:
    given = {one_of(ROLES, r, "roles") for r in request.form.get("role", [])}
    return tuple(r for r in ROLES if r in given)
