"""People, photographs let go, head and verify by the command line, as a new user would type them."""

from __future__ import annotations

import hashlib
import io
import json
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from stripread.cli.main import run
from stripread.intake.retention import receive
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import Photograph
from stripread.store.photos.interface import digest
from stripread.store.settings import load_settings
from stripread.store.store import Store, open_store
from tests.stripread.store.histories import ACCOUNT, NOW, keep
from tests.stripread.store.world import PICTURE

Capture = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """The store that the commands of this test use: the usual place in an empty home."""
    monkeypatch.setenv("HOME", str(tmp_path))
    for name in ("SETTINGS", "DATABASE", "PHOTOGRAPHS", "ACCOUNT"):
        monkeypatch.delenv(f"STRIPREAD_{name}", raising=False)
    opened = open_store(load_settings())
    yield opened
    opened.close()


def said(capsys: Capture, *args: str) -> str:
    """What a command that does its work prints."""
    assert run(["records", *args]) == 0
    return capsys.readouterr().out.strip()


def test_people_from_the_first_to_the_renamed(
        store: Store, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    assert run(["records", "people", "add", "Ada Exampleworth", "technician", "reviewer"]) == 0
    told = capsys.readouterr()
    new, (me,) = told.out.strip(), re.findall(r"set STRIPREAD_ACCOUNT=(\S+) to go on", told.err)
    monkeypatch.setenv("STRIPREAD_ACCOUNT", me)
    said(capsys, "people", "rename", new, "Ada Otherwise")
    said(capsys, "people", "roles", new, "manager")
    first, second = sorted(map(json.loads, said(capsys, "people", "list", "--json").splitlines()),
                           key=lambda person: len(person["roles"]), reverse=True)
    assert (first["account"], len(first["roles"]), first["name"]) == (me, 5, None)
    assert second == {"account": new, "roles": ["manager"], "active": True, "name": "Ada Otherwise", "sign_in": None}


def test_the_log_is_read_and_followed_by_whoever_has_it(
        store: Store, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """The chain worked out from what is printed alone, by its definition, ends at the head."""
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    new = said(capsys, "people", "add", "Ada Exampleworth", "reviewer")
    (me,) = (a["account"] for a in map(json.loads, said(capsys, "people", "list", "--json").splitlines())
             if a["account"] != new)
    monkeypatch.setenv("STRIPREAD_ACCOUNT", me)
    said(capsys, "people", "roles", new, "manager")
    last = bytes(32)
    for line in said(capsys, "log", "--json").splitlines():
        link = json.loads(line)
        last = hashlib.sha256(last + link["text"].encode()).digest()
        assert link["hash"] == last.hex()
    assert last.hex() == json.loads(said(capsys, "head", "--json"))["hash"]
    *_, first, second = map(str.strip, said(capsys, "log").splitlines())
    assert said(capsys, "log", "--last", "1") == second
    assert [*map(str.strip, said(capsys, "log", "--record", new[:6]).splitlines())] == [first, second]
    assert new in second
    assert "Ada" not in first
    assert run(["records", "log", "--record", "nobody"]) == 0
    assert "says nothing of a record nobody" in capsys.readouterr().err


def test_of_two_accounts_one_must_be_named(
        store: Store, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    new = said(capsys, "people", "add", "Ada Exampleworth", "administrator")
    assert run(["records", "people", "forget", new]) == 2
    assert "no account selected" in capsys.readouterr().err
    monkeypatch.setenv("STRIPREAD_ACCOUNT", new)
    said(capsys, "people", "forget", new)
    said(capsys, "people", "deactivate", new)
    assert f"{new}  (no name)  administrator  deactivated" in said(capsys, "people", "list")
    assert "all is as the log says" in said(capsys, "verify")


def test_an_account_is_given_a_sign_in_and_another_password(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    new = said(capsys, "people", "add", "Ada Exampleworth", "administrator")
    monkeypatch.setenv("STRIPREAD_ACCOUNT", new)
    for options in (("--sign-in", "ada"), ()):
        monkeypatch.setattr("sys.stdin", io.StringIO("a bucket of soft water\n"))
        said(capsys, "people", "reset-password", new, "--password-stdin", *options)
    said(capsys, "people", "end-sessions", new)
    assert run(["records", "people", "deactivate", new]) == 2
    assert "no administrator who can sign in" in capsys.readouterr().err
    assert f"{new}  Ada Exampleworth  administrator  signs in as ada" in said(capsys, "people", "list").splitlines()
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    assert run(["records", "people", "reset-password", new, "--password-stdin"]) == 2
    assert "12 to 128 characters" in capsys.readouterr().err


@pytest.fixture
def photograph(store: Store) -> str:
    """The id of one that was received; the account that received it is the only one."""
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    record = Photograph(id=digest(PICTURE), name="tap.jpg", size=len(PICTURE), received=NOW, account=ACCOUNT)
    receive(store, record, PICTURE)
    return record.id


def test_one_photograph_is_let_go(photograph: str, store: Store, capsys: Capture) -> None:
    assert said(capsys, "let-go", photograph, "--why", "the owner asked", "--yes") == "1 photograph let go"
    assert store.get(Photograph, photograph).removed
    assert list(store.photographs.names()) == []
    assert "all is as the log says" in said(capsys, "verify")


def test_photographs_are_let_go_by_age(photograph: str, store: Store, capsys: Capture) -> None:
    assert said(capsys, "let-go", "--before", "2026-03-02", "--why", "over", "--yes") == "0 photographs let go"
    assert said(capsys, "let-go", "--before", "2026-03-03", "--why", "over", "--yes") == "1 photograph let go"
    assert store.get(Photograph, photograph).removed


@pytest.mark.parametrize("answer", ["n\n", "\n", ""])
def test_nothing_goes_unless_it_is_confirmed(
        photograph: str, answer: str, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    assert run(["records", "let-go", photograph, "--why", "over"]) == 130
    assert store.photographs.get(photograph) == PICTURE


@pytest.mark.parametrize("args", [["--why", "over"], ["0" * 64, "--before", "2026-01-01", "--why", "over"],
                                  ["0" * 64], ["0" * 64, "--why", "over", "--yes"]])
@pytest.mark.usefixtures("photograph")
def test_letting_go_the_wrong_way(args: list[str], capsys: Capture) -> None:
    assert run(["records", "let-go", *args]) == 2
    assert capsys.readouterr().err


def test_an_exported_head_holds_until_something_is_cut(photograph: str, store: Store, tmp_path: Path, capsys: Capture
                                                       ) -> None:
    head = tmp_path / "head.json"
    head.write_text(said(capsys, "head", "--json"))
    said(capsys, "let-go", photograph, "--why", "over", "--yes")
    assert said(capsys, "verify", "--head", str(head)).endswith("all is as the log says")
    connection = sqlite3.connect(str(store.engine.url.database))
    connection.executescript("DROP TRIGGER log_delete; DELETE FROM log WHERE seq > 1")
    connection.close()
    assert run(["records", "verify", "--head", str(head), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["wrong"].startswith("trigger log_delete is missing")
