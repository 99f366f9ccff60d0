"""Administration by the API: accounts, state of the system, backup and verification; the program's own account."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Final

import msgspec
from starlette.responses import Response

from shared.notation import HardnessUnit, Notation
from stripread.store import sessions
from stripread.store.accounts import list_accounts
from stripread.store.models.accounts import Role
from stripread.store.sessions import OpenSession, Scope, Token
from stripread.store.sign_ins import preferences_of
from stripread.store.store import StoreContents, count_contents
from stripread.web.activity import SignInFailure
from stripread.web.api.operations import Body, ListPage, ListQuery, answered, change, listed, read
from stripread.web.error_handlers import json
from stripread.web.jobs import JobState
from stripread.web.pages import account, administration
from stripread.web.pages.administration import Order
from stripread.web.refusals import ADMINISTRATORS, HTTPRefusal
from stripread.web.request import Handler, RequestContext
from stripread.web.system_view import AccountUse, MeasureName, SettingLine, account_use, measures, setting_lines

Password = Annotated[str, msgspec.Meta(description="Password: 12 to 128 characters.")]


class AccountsQuery(ListQuery, frozen=True):
    """Parameters of the list of accounts, as on the page Accounts."""

    search: Annotated[str, msgspec.Meta(description="Part of the name, the sign-in name or the ID.")] = ""
    role: Annotated[Role, msgspec.Meta(description="A role of the accounts.")] = "technician"
    sort: Annotated[Order, msgspec.Meta(description="Order [default: name].")] = "name"


class AccountBody(Body, frozen=True):
    """An account with its person's name and a first password."""

    name: str
    roles: tuple[Role, ...]
    sign_in: str
    password: Password


class RolesBody(Body, frozen=True):
    """Roles of an account; ``active``: whether it is active from now on [default: unchanged]."""

    roles: tuple[Role, ...]
    active: bool | None = None


class GroupsBody(Body, frozen=True):
    """IDs of the groups of sites to which an account is restricted; none: all sites."""

    groups: tuple[str, ...] = ()


class SignInBody(Body, frozen=True):
    """Sign-in name and first password."""

    sign_in: str
    password: Password


class PasswordBody(Body, frozen=True):
    """A new password."""

    password: Password


class OwnPasswordBody(Body, frozen=True):
    """A new password, with the current one."""

    present: str
    password: Password


class PreferencesBody(Body, frozen=True):
    """How pages show numbers and times to the account; ``zone``: IANA name, empty: that of the device."""

    unit: Annotated[HardnessUnit, msgspec.Meta(description="Unit of hardness and alkalinity.")]
    comma: bool = False
    zone: str = ""


class SessionBody(Body, frozen=True):
    """A session, by its `hash`."""

    session: str


class NewTokenBody(Body, frozen=True):
    """Name and scopes of a token; a token cannot have more scopes than the token that created it."""

    name: str
    scopes: tuple[Scope, ...]


class TokenBody(Body, frozen=True):
    """A token, by its `hash`."""

    token: str


class AccountRow(msgspec.Struct, frozen=True, kw_only=True):
    """An account; ``groups`` of sites to which it is restricted, none: all sites. Numbers of sessions and tokens."""

    id: str
    name: str | None
    sign_in: str | None
    roles: tuple[Role, ...]
    active: bool
    groups: tuple[str, ...]
    signed_in: datetime | None
    used: datetime | None
    sessions: int
    tokens: int


class MeasureRow(msgspec.Struct, frozen=True, kw_only=True):
    """A measure of the system on its upper limit; ``wrong``: why it is out of limits whatever its value.

    Without a backup, or without a verification, it is out of limits too.
    """

    name: MeasureName
    value: float | None
    limit: float | None
    out_of_limits: bool
    wrong: str


class SystemState(msgspec.Struct, frozen=True, kw_only=True):
    """State of the system: age of the backup in hours and of the verification in days among the measures."""

    measures: tuple[MeasureRow, ...]
    settings: tuple[SettingLine, ...]
    contents: StoreContents
    tasks: dict[str, JobState]
    failed_sign_ins: tuple[SignInFailure, ...]


class OwnAccount(msgspec.Struct, frozen=True, kw_only=True):
    """The account of the program, with its sessions and tokens."""

    id: str
    name: str | None
    roles: tuple[Role, ...]
    groups: tuple[str, ...]
    preferences: Notation
    sessions: tuple[OpenSession, ...]
    tokens: tuple[Token, ...]


class TokenSecret(msgspec.Struct, frozen=True, kw_only=True):
    """The secret of a token, which is shown once."""

    secret: str


def _account_row(use: AccountUse) -> AccountRow:
    a = use.account
    return AccountRow(id=a.account, name=a.name, sign_in=a.sign_in, roles=a.roles, active=a.active, groups=a.groups,
                      signed_in=use.signed_in, used=use.used, sessions=use.sessions, tokens=use.tokens)


def _changed(act: Callable[[RequestContext], str], status: int = 200) -> Handler:
    """Return the handler that changes an account and answers with its row."""
    def handler(request: RequestContext) -> Response:
        id_ = act(request)
        return json(next(_account_row(a) for a in account_use(request.store) if a.account.account == id_), status)

    return handler


def _system(request: RequestContext) -> SystemState:
    app = request.app
    return SystemState(
        measures=tuple(MeasureRow(name=m.name, value=m.value, limit=m.limit, out_of_limits=m.out,
                                  wrong=m.wrong) for m in measures(app)),
        settings=tuple(setting_lines(app)), contents=count_contents(app.store),
        tasks=app.jobs.states(administration.TASKS), failed_sign_ins=tuple(app.metrics.recent.failures()))


def _started(start: Callable[[RequestContext], bool], task: str) -> Handler:
    def handler(request: RequestContext) -> Response:
        if not start(request):
            raise HTTPRefusal(409, "running")
        return json(request.app.jobs.state(task), 202)

    return handler


def _task(request: RequestContext) -> JobState:
    state = request.app.jobs.state(administration.task_of(request))
    if state is None:
        raise HTTPRefusal(404, "no-record")
    return state


def _stopped(request: RequestContext) -> JobState:
    state = _task(request)
    request.app.jobs.stop(administration.task_of(request))
    return state


def _own(request: RequestContext) -> OwnAccount:
    store, id_ = request.store, request.account
    own = list_accounts(store, [id_])[0]
    return OwnAccount(id=id_, name=own.name, roles=own.roles, groups=own.groups,
                      preferences=preferences_of(store, id_), sessions=tuple(sessions.open_sessions(store, id_)),
                      tokens=tuple(sessions.tokens_of(store, id_)))


def _own_after(act: Callable[[RequestContext], object]) -> Handler:
    """Return the handler that changes the program's own account and answers with it."""
    def handler(request: RequestContext) -> Response:
        act(request)
        return json(_own(request))

    return handler


_ROW: Final = {200: (AccountRow, "The account.")}
_OWN: Final = {200: (OwnAccount, "The account.")}
_JOB: Final = {202: (JobState, "The task.")}
_ACCOUNT: Final = "/api/accounts/{account}"
ACCOUNTS: Final = (
    read("/api/accounts", "accounts", "List accounts with last sign-in, sessions and tokens.",
         listed(administration.listed_accounts, _account_row), roles=ADMINISTRATORS, scope="administration",
         query=AccountsQuery, returns={200: (ListPage[AccountRow], "A page of accounts.")}),
    change("/api/accounts", "add-account", "Create an account with a first password.",
           _changed(administration.add_account, 201), roles=ADMINISTRATORS, scope="administration", body=AccountBody,
           returns={201: (AccountRow, "The account.")}),
    *(change(f"{_ACCOUNT}{path}", id_, summary, _changed(act), roles=ADMINISTRATORS, scope="administration", body=body,
             returns=_ROW) for path, id_, summary, act, body in (
        ("", "set-roles", "Set the roles of an account, deactivate or reactivate it.", administration.change_account,
         RolesBody),
        ("/groups", "restrict", "Restrict an account to groups of sites.", administration.restrict_account, GroupsBody),
        ("/sign-in", "add-sign-in", "Enable sign-in for an account.", administration.add_sign_in, SignInBody),
        ("/password", "reset-password", "Reset a password; sessions and tokens of the account end.",
         administration.set_password, PasswordBody),
        ("/end-sessions", "end-sessions", "End all sessions and tokens of an account.", administration.end_sessions,
         None))),
)
SYSTEM: Final = (
    read("/api/system", "system", "Return the state of the system: measures, settings, tasks, failed sign-ins.",
         answered(_system), roles=ADMINISTRATORS, scope="administration",
         returns={200: (SystemState, "The state.")}),
    change("/api/system/backup", "backup", "Start a backup to the folder of the settings.",
           _started(administration.start_backup, administration.BACKUP), roles=ADMINISTRATORS, scope="administration",
           more_errors=(409,), returns=_JOB),
    change("/api/system/integrity", "verify", "Start a verification of the store.",
           _started(administration.start_verification, administration.VERIFICATION), roles=ADMINISTRATORS,
           scope="administration", more_errors=(409,), returns=_JOB),
    read("/api/system/tasks/{task}", "task", "Return the state of a backup or a verification.", answered(_task),
         roles=ADMINISTRATORS, scope="administration", returns={200: (JobState, "The task.")}),
    change("/api/system/tasks/{task}/stop", "stop-task", "Stop a backup or a verification at its next step.",
           answered(_stopped), roles=ADMINISTRATORS, scope="administration", returns={200: (JobState, "The task.")}),
)
OWN: Final = (
    read("/api/account", "own-account", "Return the program's own account.", answered(_own), scope="account",
         returns=_OWN),
    change("/api/account/preferences", "set-preferences", "Set how pages show numbers and times to the account.",
           _own_after(account.store_preferences), scope="account", body=PreferencesBody, returns=_OWN),
    change("/api/account/password", "set-password", "Change your own password. All your sessions end.",
           _own_after(account.change_password), scope="account", body=OwnPasswordBody, more_errors=(429,),
           returns=_OWN),
    change("/api/account/end-session", "end-session", "End a session of the own account.",
           _own_after(account.end_session), scope="account", body=SessionBody, returns=_OWN),
    change("/api/account/tokens", "add-token", "Create a token of the own account.",
           answered(account.create_token, lambda secret: TokenSecret(secret=secret), 201), scope="account",
           body=NewTokenBody, returns={201: (TokenSecret, "The secret of the token.")}),
    change("/api/account/tokens/end", "end-token", "Revoke a token of the own account.",
           _own_after(account.revoke_token), scope="account", body=TokenBody, returns=_OWN),
)
