"""Administration: accounts, their roles, sign-ins and sessions; state of the system, its backup and verification."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import wraps
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
from stripread.web.request import Handler, RequestContext, one_of
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


def add_account(request: RequestContext) -> str:
    """Create an account with an initial password; return its ID."""
    return accounts.create_account(request.store, request.field("name"), _roles(request), by=request.account,
                                   sign_in=_sign_in(request)).id


def change_account(request: RequestContext) -> str:
    """Set roles, deactivate, reactivate; without the field the account remains active or not."""
    id_ = _account(request)
    accounts.change_account(request.store, id_, by=request.account, roles=_roles(request),
                            active={"yes": True, "no": False}.get(request.field("active")))
    return id_


def restrict_account(request: RequestContext) -> str:
    """Restrict an account to groups of sites, or lift the restriction."""
    id_ = _account(request)
    accounts.restrict_account(request.store, id_, request.form.get("group", []), by=request.account)
    return id_


def add_sign_in(request: RequestContext) -> str:
    """Enable sign-in for an account created on the command line."""
    id_ = _account(request)
    accounts.add_sign_in(request.store, id_, _sign_in(request), by=request.account)
    return id_


def set_password(request: RequestContext) -> str:
    """Reset a forgotten password; sessions and tokens of the account end."""
    id_, hash_ = _account(request), request.app.passwords.hash(request.field("password"))
    accounts.reset_password(request.store, id_, hash_, by=request.account)
    return id_


def end_sessions(request: RequestContext) -> str:
    """End all sessions and tokens of an account."""
    id_ = _account(request)
    accounts.end_sessions(request.store, id_, by=request.account)
    return id_


def changing(act: Callable[[RequestContext], str]) -> Handler:
    """Return the handler that makes a change and returns to the list, which shows why a change was rejected."""
    @wraps(act)
    def handler(request: RequestContext) -> Response:
        try:
            act(request)
        except InputError as error:
            return _accounts_page(request, status=422, wrong=error.message)
        return go("/accounts")

    return handler


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
    return _started(request, start_backup)


def start_backup(request: RequestContext) -> bool:
    """Start a backup to the folder of the settings; return False while one is running. Raises InputError."""
    store, folder, by = request.store, request.app.settings.backup, request.account
    if not folder:
        raise InputError("the settings name no backup folder", where="settings", remedy="set `backup` in the settings "
                         "file to a folder on another disk and restart the server")

    def work(task_progress: JobProgress) -> str:
        made = back_up(store, Path(folder), task_progress)
        with store.writing(by) as transaction:
            transaction.note("backed up", f"{made.photographs} photographs, {made.copied} of them new")
        return request.app.messages("system.backed-up", photographs=made.photographs, copied=made.copied)

    return request.app.jobs.start(BACKUP, by, work)


def check_integrity(request: RequestContext) -> Response:
    """Start a verification of the store."""
    return _started(request, start_verification)


def start_verification(request: RequestContext) -> bool:
    """Start a verification of the store; return False while one is running."""
    store, by = request.store, request.account

    def work(task_progress: JobProgress) -> str:
        verification = verify_and_record(store, by, task_progress)
        return request.app.messages(
            "system.discrepancy" if verification.wrong else "system.verified", wrong=verification.wrong,
            records=verification.records, photographs=verification.photographs)

    return request.app.jobs.start(VERIFICATION, by, work)


def stop_task(request: RequestContext) -> Response:
    """Stop a task at its next step; a backup that was stopped leaves the earlier one."""
    request.app.jobs.stop(task_of(request))
    return go("/system")


def task_of(request: RequestContext) -> str:
    """Return the task of the address."""
    return one_of(TASKS, request.path("task"), "task")


def task_progress(request: RequestContext) -> Response:
    """Return the state of a task, for the page that polls it."""
    state = request.app.jobs.state(task_of(request))
    return json(state) if state else json({}, 404)


def _started(request: RequestContext, start: Callable[[RequestContext], bool]) -> Response:
    try:
        started = start(request)
    except InputError as error:
        return _system_page(request, status=422, wrong=error.message)
    if not started:
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
