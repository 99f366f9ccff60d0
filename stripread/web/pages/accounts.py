"""Administration of accounts."""

from __future__ import annotations

from collections.abc import Callable

from starlette.responses import Response

from shared.errors import InputError
from stripread.store import accounts
from stripread.store.accounts import SignIn
from stripread.store.models.accounts import ROLES, Account, Role
from stripread.store.models.sites import SiteGroup
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of


def show(ask: RequestContext) -> Response:
    """All accounts."""
    return _shown(ask)


def add(ask: RequestContext) -> Response:
    """Create an account with an initial password."""
    return _done(ask, lambda: accounts.create_account(
        ask.house.store, ask.field("name"), _roles(ask), by=ask.who.account, sign_in=_sign_in(ask)))


def change(ask: RequestContext) -> Response:
    """Set roles, deactivate, reactivate."""
    return _done(ask, lambda: accounts.change_account(
        ask.house.store, _account(ask), by=ask.who.account, roles=_roles(ask), active=ask.field("active") == "yes"))


def restrict(ask: RequestContext) -> Response:
    """Restrict an account to groups of sites, or lift the restriction."""
    return _done(ask, lambda: accounts.restrict_account(
        ask.house.store, _account(ask), ask.form.get("groups", []), by=ask.who.account))


def add_sign_in(ask: RequestContext) -> Response:
    """Enable sign-in for an account created on the command line."""
    return _done(ask, lambda: accounts.add_sign_in(ask.house.store, _account(ask), _sign_in(ask), by=ask.who.account))


def set_password(ask: RequestContext) -> Response:
    """Reset a forgotten password; sessions and tokens of the account end."""
    return _done(ask, lambda: accounts.reset_password(
        ask.house.store, _account(ask), ask.house.passwords.hash(ask.field("password")), by=ask.who.account))


def end_sessions(ask: RequestContext) -> Response:
    """End all sessions and tokens of an account."""
    return _done(ask, lambda: accounts.end_sessions(ask.house.store, _account(ask), by=ask.who.account))


def _done(ask: RequestContext, change: Callable[[], object]) -> Response:
    """Apply the change and return to the list, which shows why a change was rejected."""
    try:
        change()
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    return go("/accounts")


def _shown(ask: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    return page(ask, "accounts.html", status=status, wrong=wrong, people=accounts.list_accounts(ask.house.store),
                roles=ROLES, groups=[] if ask.access.groups else ask.house.store.find(SiteGroup))


def _account(ask: RequestContext) -> str:
    return ask.one(Account, ask.path("account")).id


def _sign_in(ask: RequestContext) -> SignIn:
    return SignIn(ask.field("sign-in"), ask.house.passwords.hash(ask.field("password")))


def _roles(ask: RequestContext) -> tuple[Role, ...]:
    given = {one_of(ROLES, r, "roles") for r in ask.form.get("role", [])}
    return tuple(r for r in ROLES if r in given)
