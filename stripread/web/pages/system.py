"""State of the system for administrators: measures on their limits, contents, accounts, settings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from starlette.responses import Response

from stripread.store.backup.backup import back_up
from stripread.store.models.accounts import ROLES
from stripread.store.sign_ins import names_of
from stripread.store.store import count_contents
from stripread.store.verification import verify_and_record
from stripread.web.error_handlers import json
from stripread.web.jobs import JobProgress
from stripread.web.listing import ROWS, csv_file, downloads, list_address, page_number
from stripread.web.pages.accounts import ORDERS, account_table, listed_accounts
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of
from stripread.web.system_view import hour_plots, measures, setting_lines

#: Names of the long tasks of this page.
BACKUP, VERIFICATION = "backup", "integrity"
TASKS: Final = (BACKUP, VERIFICATION)


def back_up_now(request: RequestContext) -> Response:
    """Start a backup to the folder of the settings."""
    store, folder, by = request.store, request.app.settings.backup, request.account
    if not folder:
        return _shown(request, status=422, wrong=request.app.messages("system.no-folder"))

    def work(progress: JobProgress) -> str:
        made = back_up(store, Path(folder), progress)
        with store.writing(by) as transaction:
            transaction.note("backed up", f"{made.photographs} photographs, {made.copied} of them new")
        return request.app.messages("system.backed-up", photographs=made.photographs, copied=made.copied)

    return _started(request, BACKUP, work)


def check_integrity(request: RequestContext) -> Response:
    """Start a verification of the store."""
    store, by = request.store, request.account

    def work(progress: JobProgress) -> str:
        found = verify_and_record(store, by, progress)
        return request.app.messages("system.discrepancy" if found.wrong else "system.verified", wrong=found.wrong,
                               records=found.records, photographs=found.photographs)

    return _started(request, VERIFICATION, work)


def stop(request: RequestContext) -> Response:
    """Stop a task at its next step; a backup that was stopped leaves the earlier one."""
    request.app.jobs.stop(one_of(TASKS, request.path("task"), "task"))
    return go("/system")


def progress(request: RequestContext) -> Response:
    """Return the state of a task, for the page that polls it."""
    state = request.app.jobs.state(one_of(TASKS, request.path("task"), "task"))
    return json(state) if state else json({}, 404)


def _started(request: RequestContext, task: str, work: Callable[[JobProgress], str]) -> Response:
    if not request.app.jobs.start(task, request.account, work):
        return _shown(request, status=409, wrong=request.app.messages("system.running"))
    return go("/system")


def show(request: RequestContext) -> Response:
    """Return the page, or its list of accounts as a file."""
    return _shown(request)


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
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
