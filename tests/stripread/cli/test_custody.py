"""Accounts, purged photographs, checkpoints and verification by the command line, as a new user would type them."""

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
from stripread.intake.receive import receive
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import Photograph
from stripread.store.photos import digest
from stripread.store.settings import load_settings
from stripread.store.store import Store, open_store
from tests.loops import some
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
    assert run([*args]) == 0
    return capsys.readouterr().out.strip()


def test_people_from_the_first_to_the_renamed(
        store: Store, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    assert run(["accounts", "create", "Ada Exampleworth", "technician", "reviewer"]) == 0
    output = capsys.readouterr()
    new, (me,) = output.out.strip(), re.findall(r"set STRIPREAD_ACCOUNT=(\S+) to continue", output.err)
    monkeypatch.setenv("STRIPREAD_ACCOUNT", me)
    said(capsys, "accounts", "rename", new, "Ada Otherwise")
    said(capsys, "accounts", "set-roles", new, "manager")
    first, second = sorted(map(json.loads, said(capsys, "accounts", "list", "--json").splitlines()),
                           key=lambda person: len(person["roles"]), reverse=True)
    assert (first["account"], len(first["roles"]), first["name"]) == (me, 5, None)
    assert second == {"account": new, "roles": ["manager"], "groups": [], "active": True, "name": "Ada Otherwise",
                      "sign_in": None}


def test_the_audit_trail_can_be_followed_from_its_export(
        store: Store, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """The chain worked out from what is printed alone, by its definition, ends at the head."""
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    new = said(capsys, "accounts", "create", "Ada Exampleworth", "reviewer")
    (me,) = (a["account"] for a in map(json.loads, said(capsys, "accounts", "list", "--json").splitlines())
             if a["account"] != new)
    monkeypatch.setenv("STRIPREAD_ACCOUNT", me)
    said(capsys, "accounts", "set-roles", new, "manager")
    last = bytes(32)
    for line in some(said(capsys, "audit", "list", "--json").splitlines()):
        link = json.loads(line)
        last = hashlib.sha256(last + link["text"].encode()).digest()
        assert link["hash"] == last.hex()
    assert last.hex() == json.loads(said(capsys, "audit", "checkpoint", "--json"))["hash"]
    *_, first, second = map(str.strip, said(capsys, "audit", "list").splitlines())
    assert said(capsys, "audit", "list", "--last", "1") == second
    assert [*map(str.strip, said(capsys, "audit", "list", "--record", new[:6]).splitlines())] == [first, second]
    assert new in second
    assert "Ada" not in first
    assert run(["audit", "list", "--record", "none-such"]) == 0
    assert "has no entry on record none-such" in capsys.readouterr().err


def test_of_two_accounts_one_must_be_named(
        store: Store, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    new = said(capsys, "accounts", "create", "Ada Exampleworth", "administrator")
    assert run(["accounts", "erase-name", new]) == 2
    assert "no account selected" in capsys.readouterr().err
    monkeypatch.setenv("STRIPREAD_ACCOUNT", new)
    said(capsys, "accounts", "erase-name", new)
    said(capsys, "accounts", "deactivate", new)
    assert f"{new}  (no name)  administrator  deactivated" in said(capsys, "accounts", "list")
    assert "no discrepancies found" in said(capsys, "audit", "verify")


def test_an_account_is_given_a_sign_in_and_another_password(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    new = said(capsys, "accounts", "create", "Ada Exampleworth", "administrator")
    monkeypatch.setenv("STRIPREAD_ACCOUNT", new)
    for options in (("--sign-in", "ada"), ()):
        monkeypatch.setattr("sys.stdin", io.StringIO("a bucket of soft water\n"))
        said(capsys, "accounts", "reset-password", new, "--password-stdin", *options)
    said(capsys, "accounts", "end-sessions", new)
    assert run(["accounts", "deactivate", new]) == 2
    assert "no administrator who can sign in" in capsys.readouterr().err
    assert f"{new}  Ada Exampleworth  administrator  signs in as ada" in said(capsys, "accounts", "list").splitlines()
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    assert run(["accounts", "reset-password", new, "--password-stdin"]) == 2
    assert "12 to 128 characters" in capsys.readouterr().err


@pytest.fixture
def photograph(store: Store) -> str:
    """The id of one that was received; the account that received it is the only one."""
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    record = Photograph(id=digest(PICTURE), name="tap.jpg", size=len(PICTURE), received=NOW, account=ACCOUNT)
    receive(store, record, PICTURE)
    return record.id


def test_one_photograph_is_purged(photograph: str, store: Store, capsys: Capture) -> None:
    assert said(capsys, "storage", "purge", photograph, "--why", "the owner asked", "--yes") == "1 photograph purged"
    assert store.get(Photograph, photograph).removed
    assert list(store.photographs.names()) == []
    assert "no discrepancies found" in said(capsys, "audit", "verify")


def test_photographs_are_purged_by_age(photograph: str, store: Store, capsys: Capture) -> None:
    purge = ("storage", "purge", "--why", "over", "--yes", "--before")
    assert said(capsys, *purge, "2026-03-02") == "0 photographs purged"
    assert said(capsys, *purge, "2026-03-03") == "1 photograph purged"
    assert store.get(Photograph, photograph).removed


@pytest.mark.parametrize(("answer", "message"), [
    ("n\n", "Not confirmed. Nothing was changed."), ("\n", "Not confirmed. Nothing was changed."),
    ("", "No answer was given. Nothing was changed.")])
def test_nothing_is_purged_without_confirmation(photograph: str, answer: str, message: str, store: Store, *,
                                                monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    assert run(["storage", "purge", photograph, "--why", "over"]) == 130
    assert message in capsys.readouterr().err
    assert store.photographs.get(photograph) == PICTURE


@pytest.mark.parametrize("args", [["--why", "over"], ["0" * 64, "--before", "2026-01-01", "--why", "over"],
                                  ["0" * 64], ["0" * 64, "--why", "over", "--yes"]])
@pytest.mark.usefixtures("photograph")
def test_letting_go_the_wrong_way(args: list[str], capsys: Capture) -> None:
    assert run(["storage", "purge", *args]) == 2
    assert capsys.readouterr().err


def test_an_exported_checkpoint_is_valid_until_an_entry_is_removed(
        photograph: str, store: Store, tmp_path: Path, capsys: Capture) -> None:
    head = tmp_path / "head.json"
    head.write_text(said(capsys, "audit", "checkpoint", "--json"))
    said(capsys, "storage", "purge", photograph, "--why", "over", "--yes")
    assert said(capsys, "audit", "verify", "--checkpoint", str(head)).startswith("no discrepancies found")
    connection = sqlite3.connect(str(store.engine.url.database))
    connection.executescript("DROP TRIGGER audit_trail_delete; DELETE FROM audit_trail WHERE seq > 1")
    connection.close()
    assert run(["audit", "verify", "--checkpoint", str(head), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["wrong"].startswith("trigger audit_trail_delete is missing")
