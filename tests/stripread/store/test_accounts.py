"""People: an account for each, roles that leave somebody in charge, and names that can be forgotten for good."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import msgspec
import pytest
from sqlalchemy import func, insert, select

from stripread.cli.store import current_account
from stripread.store.accounts import (
    SignIn,
    add_sign_in,
    change_account,
    change_password,
    create_account,
    end_sessions,
    erase_name,
    list_accounts,
    rename,
    reset_password,
)
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES, Account
from stripread.store.schema import SESSIONS, SIGN_INS, TOKENS
from stripread.store.settings import Settings
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT
from tests.stripread.store.world import NAME, World


def names(store: Store) -> dict[str, str | None]:
    return {person.account: person.name for person in list_accounts(store)}


def test_an_account_is_created_renamed_and_deactivated(world: World) -> None:
    store = world.store
    new = create_account(store, "Bo Inventedson", ["reviewer", "technician"], by=ACCOUNT)
    assert new.roles == ("technician", "reviewer")
    rename(store, new.id, "Bo Renamed", by=ACCOUNT)
    assert names(store) == {ACCOUNT: NAME, new.id: "Bo Renamed"}
    change_account(store, new.id, by=ACCOUNT, roles=["manager"])
    change_account(store, new.id, by=ACCOUNT, active=False)
    assert not verify_store(store).wrong
    assert store.get(Account, new.id) == msgspec.structs.replace(
        new, roles=("manager",), active=False, seal=store.get(Account, new.id).seal)


def test_an_erased_name_is_nowhere_and_the_audit_trail_remains_valid(world: World) -> None:
    store, head = world.store, world.store.head()
    new = create_account(store, "Bo Inventedson", ["reviewer"], by=ACCOUNT, sign_in=SignIn("bo", "hash"))
    erase_name(store, new.id, by=ACCOUNT)
    assert names(store) == {ACCOUNT: NAME, new.id: None}
    assert store.get(Account, new.id).roles == ("reviewer",)
    with store.viewing() as connection:
        assert connection.execute(select(SIGN_INS)).all() == []
    found = verify_store(store, head)
    assert (found.wrong, found.head.entries) == ("", head.entries + 2)


@pytest.mark.parametrize("world_url", ["sqlite"], indirect=True)
def test_an_erased_name_is_not_left_in_the_file(world: World) -> None:
    new = create_account(world.store, "Quite Unmistakable", ["technician"], by=ACCOUNT)
    rename(world.store, new.id, "Never Seenbefore", by=ACCOUNT)
    erase_name(world.store, new.id, by=ACCOUNT)
    files = list(Path(str(world.store.engine.url.database)).parent.glob("world.sqlite*"))
    for name in (b"Unmistakable", b"Seenbefore"):
        assert not any(name in file.read_bytes() for file in files)
    assert any(NAME.encode() in file.read_bytes() for file in files)


def test_one_administrator_must_remain(world: World) -> None:
    with pytest.raises(RecordsError, match="leave no administrator"):
        change_account(world.store, ACCOUNT, by=ACCOUNT, active=False)
    with pytest.raises(RecordsError, match="leave no administrator"):
        change_account(world.store, ACCOUNT, by=ACCOUNT, roles=["technician"])
    assert world.store.get(Account, ACCOUNT).active


@pytest.mark.parametrize("name", ["", "  ", "two\nlines", "half \udc80", "x" * 301])
def test_an_invalid_name_is_rejected(world: World, name: str) -> None:
    with pytest.raises(RecordsError, match="not a valid name"):
        create_account(world.store, name, ["technician"], by=ACCOUNT)


def test_an_unknown_account_is_an_error(world: World) -> None:
    with pytest.raises(RecordsError, match="no such account"):
        erase_name(world.store, "p-none", by=ACCOUNT)


def signed_in(store: Store, account: str) -> int:
    """Give an account one more session and one more token; how many of both it has."""
    with store.engine.begin() as connection:
        for number, table in enumerate((SESSIONS, TOKENS)):
            there = connection.scalar(select(func.count()).select_from(table)) or 0
            more = ({"seen": "", "device": ""}, {"name": "a program", "scopes": "", "expires": ""})[number]
            connection.execute(insert(table).values(hash=f"{number}{there}", account=account, made="", **more))
    return access(store, account)


def access(store: Store, account: str) -> int:
    """How many sessions and tokens an account has."""
    with store.viewing() as connection:
        return sum(connection.scalar(select(func.count()).select_from(table).where(table.c.account == account)) or 0
                   for table in (SESSIONS, TOKENS))


@pytest.mark.parametrize("action", [
    lambda s, i: change_account(s, i, by=ACCOUNT, active=False), lambda s, i: end_sessions(s, i, by=ACCOUNT),
    lambda s, i: reset_password(s, i, "another", by=ACCOUNT), lambda s, i: erase_name(s, i, by=ACCOUNT),
], ids=["deactivate", "end sessions", "reset password", "erase name"])
def test_sessions_and_tokens_end(world: World, action: Callable[[Store, str], None]) -> None:
    """Of that account only, and an account that is active again does not get them back."""
    store = world.store
    new, other = (create_account(store, name, ["technician"], by=ACCOUNT, sign_in=SignIn(name, "hash")).id
                  for name in ("Bo", "Cleo"))
    assert [signed_in(store, new), signed_in(store, other)] == [2, 2]
    head = store.head().entries
    action(store, new)
    assert store.head().entries == head + 1, "the audit trail records it"
    change_account(store, new, by=ACCOUNT, active=True)
    assert [access(store, new), access(store, other)] == [0, 2]


def test_one_s_own_password_leaves_the_present_session(world: World) -> None:
    store = world.store
    new = create_account(store, "Bo", ["technician"], by=ACCOUNT, sign_in=SignIn("bo", "hash")).id
    signed_in(store, new)
    signed_in(store, new)
    change_password(store, new, "another", session="01")
    with store.viewing() as connection:
        assert list(connection.scalars(select(SESSIONS.c.hash))) == ["01"]


def test_the_last_administrator_who_can_sign_in_remains(world: World) -> None:
    """Another administrator who cannot sign in is none to the pages."""
    store = world.store
    able = create_account(store, "Bo", ["administrator"], by=ACCOUNT, sign_in=SignIn("bo", "hash")).id
    for action in (partial(change_account, active=False), partial(change_account, roles=["technician"]), erase_name):
        with pytest.raises(RecordsError, match=r"no administrator who can sign in.*give another account"):
            action(store, able, by=ACCOUNT)
    assert {a.account: a.sign_in for a in list_accounts(store)} == {ACCOUNT: None, able: "bo"}
    add_sign_in(store, ACCOUNT, SignIn(" Ada ", "hash"), by=able)
    change_account(store, able, by=ACCOUNT, active=False)
    assert {a.account: (a.sign_in, a.active) for a in list_accounts(store)} == {
        ACCOUNT: ("ada", True), able: ("bo", False)}
    assert not verify_store(store).wrong


def test_only_administrators_administer(world: World) -> None:
    store = world.store
    other = create_account(store, "Bo", ["manager"], by=ACCOUNT).id
    head = store.head()
    with pytest.raises(RecordsError, match="may not manage accounts"):
        change_account(store, ACCOUNT, by=other, active=False)
    for sign_in, said in (("x", "not a valid sign-in name"), ("bo\n2", "not a valid sign-in name")):
        with pytest.raises(RecordsError, match=said):
            add_sign_in(store, other, SignIn(sign_in, "hash"), by=ACCOUNT)
    with pytest.raises(RecordsError, match="cannot sign in"):
        reset_password(store, other, "hash", by=ACCOUNT)
    with pytest.raises(RecordsError, match="at least one role"):
        change_account(store, other, by=ACCOUNT, roles=[])
    assert store.head() == head
    add_sign_in(store, other, SignIn("bo", "hash"), by=ACCOUNT)
    with pytest.raises(RecordsError, match="can sign in already"):
        add_sign_in(store, other, SignIn("bo2", "hash"), by=ACCOUNT)
    with pytest.raises(RecordsError, match="is taken"):
        create_account(store, "Another", ["technician"], by=ACCOUNT, sign_in=SignIn("BO", "hash"))


def settings_of(store: Store, account: str | None = None) -> Settings:
    return Settings(database=str(store.engine.url), photographs="unused", account=account)


def test_the_first_account_has_every_role(store: Store) -> None:
    printed: list[str] = []
    first = current_account(store, settings_of(store), printed.append)
    assert [store.get(Account, first)] == [Account(id=first, roles=ROLES)]
    assert current_account(store, settings_of(store), printed.append) == first
    assert len(printed) == 1
    assert first in printed[0]
    assert not verify_store(store).wrong


def test_the_settings_select_one_of_several_accounts(world: World) -> None:
    store = world.store
    other = create_account(store, "Bo Inventedson", ["technician"], by=ACCOUNT).id
    with pytest.raises(RecordsError, match=r"no account selected.*STRIPREAD_ACCOUNT"):
        current_account(store, settings_of(store))
    assert current_account(store, settings_of(store, other)) == other
    change_account(store, other, by=ACCOUNT, active=False)
    with pytest.raises(RecordsError, match="the account is unknown or deactivated"):
        current_account(store, settings_of(store, other))
    assert current_account(store, settings_of(store)) == ACCOUNT


