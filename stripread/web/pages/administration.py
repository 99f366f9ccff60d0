"""Administration: accounts, their roles, sign-ins and sessions; state of the system, its backup and verification."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal, get_args

from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.store import accounts
from stripread.store.accounts import SignIn
from stripread.store.backup.backup import back_up
from stripread.store.models.accounts import ROLES, Account, Role
from stripread.store.models.sites import SiteGroup
from stripread.store.sign_ins import names_of
from stripread.store.store import count_contents
from stripread.store.verification import verify_and_record
from stripread.web.error_handlers import json
from stripread.web.jobs import JobProgress
from stripread.web.listing import ROWS, choice, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of
from stripread.web.system_view import AccountUse, account_use, hour_plots, measures, setting_lines

Order = Literal["name", "used"]
ORDERS: Final[tuple[Order, ...]] = get_args(Order)
_NEVER: Final = datetime.min.replace(tzinfo=UTC)


def listed_accounts(request: RequestContext) -> list[AccountUse]:
    """Return the accounts that match the search and the role of the request, in its order."""
    typed, role = request.query("search").strip().casefold(), choice(request, "role", ROLES)
    accounts = [a for a in account_use(request.store)
                if typed in f"{a.account.name or ''} {a.account.sign_in or ''} {a.account.account}".casefold()
                and (role is None or role in a.account.roles)]
    if choice(request, "sort", ORDERS) == "used":
        return sorted(accounts, key=lambda a: max(a.used or _NEVER, a.signed_in or _NEVER), reverse=True)
    return accounts


def account_table(accounts: Sequence[AccountUse]) -> ReadingsTable:
    """Return the accounts as a table to download."""
    texts = tuple(TableColumn(name, str) for name in (
        "account", "name", "roles", "state", "last sign-in [UTC]", "last use [UTC]"))
    numbers = tuple(TableColumn(name, float) for name in ("sessions", "tokens"))
    return ReadingsTable((*texts, *numbers), tuple(
        (a.account.account, a.account.name, " ".join(a.account.roles), "active" if a.account.active else "deactivated",
         _text(a.signed_in), _text(a.used), a.sessions, a.tokens) for a in accounts))


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def show_accounts(request: RequestContext) -> Response:
    """All accounts, or a file of them."""
    if downloads(request):
        return csv_file("accounts", account_table(listed_accounts(request)))
    return _accounts_page(request)


def add_account(request: RequestContext) -> Response:
    """Create an account with an initial password."""
    return _changed(request, lambda: accounts.create_account(
        request.store, request.field("name"), _roles(request), by=request.account, sign_in=_sign_in(request)))


def change_account(request: RequestContext) -> Response:
    """Set roles, deactivate, reactivate."""
    return _changed(request, lambda: accounts.change_account(
        request.store, _account(request), by=request.account, roles=_roles(request),
        active=request.field("active") == "yes"))


def restrict_account(request: RequestContext) -> Response:
    """Restrict an account to groups of sites, or lift the restriction."""
    return _changed(request, lambda: accounts.restrict_account(
        request.store, _account(request), request.form.get("groups", []), by=request.account))


def add_sign_in(request: RequestContext) -> Response:
    """Enable sign-in for an account created on the command line."""
    return _changed(request, lambda: accounts.add_sign_in(
        request.store, _account(request), _sign_in(request), by=request.account))


def set_password(request: RequestContext) -> Response:
    """Reset a forgotten password; sessions and tokens of the account end."""
    return _changed(request, lambda: accounts.reset_password(
        request.store, _account(request), request.app.passwords.hash(request.field("password")), by=request.account))


def end_sessions(request: RequestContext) -> Response:
    """End all sessions and tokens of an account."""
    return _changed(request, lambda: accounts.end_sessions(request.store, _account(request), by=request.account))


def _changed(request: RequestContext, change_account: Callable[[], object]) -> Response:
    """Apply the change and return to the list, which shows why a change was rejected."""
    try:
        change_account()
    except InputError as error:
        return _accounts_page(request, status=422, wrong=error.message)
    return go("/accounts")


def _accounts_page(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
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


#: Names of the long tasks of this page.
BACKUP, VERIFICATION = "backup", "integrity"
TASKS: Final = (BACKUP, VERIFICATION)


def back_up_now(request: RequestContext) -> Response:
    """Start a backup to the folder of the settings."""
    store, folder, by = request.store, request.app.settings.backup, request.account
    if not folder:
        return _system_page(request, status=422, wrong=request.app.messages("system.no-folder"))

    def work(task_progress: JobProgress) -> str:
        made = back_up(store, Path(folder), task_progress)
        with store.writing(by) as transaction:
            transaction.note("backed up", f"{made.photographs} photographs, {made.copied} of them new")
        return request.app.messages("system.backed-up", photographs=made.photographs, copied=made.copied)

    return _started(request, BACKUP, work)


def check_integrity(request: RequestContext) -> Response:
    """Start a verification of the store."""
    store, by = request.store, request.account

    def work(task_progress: JobProgress) -> str:
        verification = verify_and_record(store, by, task_progress)
        return request.app.messages(
            "system.discrepancy" if verification.wrong else "system.verified", wrong=verification.wrong,
            records=verification.records, photographs=verification.photographs)

    return _started(request, VERIFICATION, work)


def stop_task(request: RequestContext) -> Response:
    """Stop a task at its next step; a backup that was stopped leaves the earlier one."""
    request.app.jobs.stop(one_of(TASKS, request.path("task"), "task"))
    return go("/system")


def task_progress(request: RequestContext) -> Response:
    """Return the state of a task, for the page that polls it."""
    state = request.app.jobs.state(one_of(TASKS, request.path("task"), "task"))
    return json(state) if state else json({}, 404)


def _started(request: RequestContext, task: str, work: Callable[[JobProgress], str]) -> Response:
    if not request.app.jobs.start(task, request.account, work):
        return _system_page(request, status=409, wrong=request.app.messages("system.running"))
    return go("/system")


def show_system(request: RequestContext) -> Response:
    """Return the page, or its list of accounts as a file."""
    return _system_page(request)


def _system_page(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    accounts = listed_accounts(request)
    if downloads(request):
        return csv_file("accounts", account_table(accounts))
    first = page_number(request) * ROWS
    settings, failures = setting_lines(request.app), request.app.metrics.recent.failures()
    return page(
        request, "system.html", status=status, wrong=wrong, address=list_address(request),
        measures=measures(request.app), contents=count_contents(request.store), settings=settings,
        failures=failures[:ROWS],
        names=names_of(request.store, {f.account for f in failures}),
        plots=hour_plots(request.app.metrics.recent.hours()),
        tasks=request.app.jobs.states(TASKS).items(),
        from_environment=sum(s.source == "environment" for s in settings), roles=ROLES, orders=ORDERS,
        accounts=accounts[first:first + ROWS], total=len(accounts),
        further=page_number(request) + 1 if len(accounts) > first + ROWS else "")
