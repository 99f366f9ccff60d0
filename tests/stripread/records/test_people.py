"""People: an account for each, roles that leave somebody in charge, and names that can be forgotten for good."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from sqlalchemy import insert, select

from stripread.records.acting import acting
from stripread.records.errors import RecordsError
from stripread.records.kinds.people import ROLES, Account
from stripread.records.people import add_person, close, forget_name, people, rename, set_roles
from stripread.records.schema import SIGN_INS
from stripread.records.settings import Settings
from stripread.records.store import Store
from stripread.records.verify import verify
from tests.stripread.records.histories import ACCOUNT
from tests.stripread.records.world import NAME, World


def names(store: Store) -> dict[str, str | None]:
    return {person.account: person.name for person in people(store)}


def test_a_person_comes_is_renamed_and_goes(world: World) -> None:
    store = world.store
    new = add_person(store, "Bo Inventedson", ["reviewer", "technician"], by=ACCOUNT)
    assert new.roles == ("technician", "reviewer")
    rename(store, new.id, "Bo Renamed", by=ACCOUNT)
    assert names(store) == {ACCOUNT: NAME, new.id: "Bo Renamed"}
    set_roles(store, new.id, ["manager"], by=new.id)
    close(store, new.id, by=ACCOUNT)
    assert not verify(store).wrong
    assert store.get(Account, new.id) == msgspec.structs.replace(
        new, roles=("manager",), active=False, seal=store.get(Account, new.id).seal)


def test_a_forgotten_name_is_nowhere_and_the_log_holds(world: World) -> None:
    store, head = world.store, world.store.head()
    with store.engine.begin() as connection:
        connection.execute(insert(SIGN_INS).values(account=ACCOUNT, name="exampleworth", hash="x", changed="x",
                                                   preferences="{}"))
    forget_name(store, ACCOUNT, by=ACCOUNT)
    assert names(store) == {ACCOUNT: None}
    assert store.get(Account, ACCOUNT).roles == ROLES
    with store.viewing() as connection:
        assert connection.execute(select(SIGN_INS)).all() == []
    found = verify(store, head)
    assert (found.wrong, found.head.entries) == ("", head.entries + 1)


@pytest.mark.parametrize("world_url", ["sqlite"], indirect=True)
def test_nothing_of_a_forgotten_name_is_left_in_the_file(world: World) -> None:
    new = add_person(world.store, "Quite Unmistakable", ["technician"], by=ACCOUNT)
    rename(world.store, new.id, "Never Seenbefore", by=ACCOUNT)
    forget_name(world.store, new.id, by=ACCOUNT)
    files = list(Path(str(world.store.engine.url.database)).parent.glob("world.sqlite*"))
    for name in (b"Unmistakable", b"Seenbefore"):
        assert not any(name in file.read_bytes() for file in files)
    assert any(NAME.encode() in file.read_bytes() for file in files)


def test_somebody_is_left_in_charge(world: World) -> None:
    with pytest.raises(RecordsError, match="nobody would be left who is administrator"):
        close(world.store, ACCOUNT, by=ACCOUNT)
    with pytest.raises(RecordsError, match="nobody would be left who is administrator"):
        set_roles(world.store, ACCOUNT, ["technician"], by=ACCOUNT)
    assert world.store.get(Account, ACCOUNT).active


@pytest.mark.parametrize("name", ["", "  ", "two\nlines", "half \udc80", "x" * 301])
def test_what_is_no_name_is_refused(world: World, name: str) -> None:
    with pytest.raises(RecordsError, match="is no name"):
        add_person(world.store, name, ["technician"], by=ACCOUNT)


def test_nobody_by_that_id(world: World) -> None:
    with pytest.raises(RecordsError, match="no such account"):
        forget_name(world.store, "p-none", by=ACCOUNT)


def settings_of(store: Store, account: str | None = None) -> Settings:
    return Settings(database=str(store.engine.url), photographs="unused", account=account)


def test_in_an_empty_store_the_first_to_act_has_every_role(store: Store) -> None:
    told: list[str] = []
    first = acting(store, settings_of(store), told.append)
    assert [store.get(Account, first)] == [Account(id=first, roles=ROLES)]
    assert acting(store, settings_of(store), told.append) == first
    assert len(told) == 1
    assert first in told[0]
    assert not verify(store).wrong


def test_of_several_the_settings_name_one(world: World) -> None:
    store = world.store
    other = add_person(store, "Bo Inventedson", ["technician"], by=ACCOUNT).id
    with pytest.raises(RecordsError, match=r"nobody is named who acts.*STRIPREAD_ACCOUNT"):
        acting(store, settings_of(store))
    assert acting(store, settings_of(store, other)) == other
    close(store, other, by=ACCOUNT)
    with pytest.raises(RecordsError, match="no such account, or it is closed"):
        acting(store, settings_of(store, other))
    assert acting(store, settings_of(store)) == ACCOUNT


