"""Administration of accounts."""

from __future__ import annotations

from collections.abc import Callable

from starlette.responses import Response

from shared.errors import InputError
from stripread.store import accounts
from stripread.store.accounts import SignIn
from stripread.store.models.accounts import ROLES, Account, Role
from stripread.store.models.sites import SiteGroup
from stripread.web.account_list import ORDERS, account_table, listed_accounts
from stripread.web.listing import ROWS, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of


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
