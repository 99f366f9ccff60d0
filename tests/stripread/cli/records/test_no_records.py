"""Where there are no records, commands that only look say so, and make none."""

from __future__ import annotations

from pathlib import Path

import pytest

from stripread.cli.main import run
from tests.services import Postgresql

Capture = pytest.CaptureFixture[str]
COMMANDS = (
    ["list"], ["show", "a"], ["export"], ["verify"], ["head"], ["log"], ["overview"], ["due"], ["review"],
    ["people", "list"], ["reread", "--check"], ["reread", "--supersede", "--why", "w"], ["backup", "copy"],
    ["trend", "--point", "a"], ["let-go", "abcdef", "--why", "w"], ["service", "unit"],
    ["report", "--site", "a", "-o", "report.html"])


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty home, in which the commands are given."""
    for name in ("SETTINGS", "DATABASE", "PHOTOGRAPHS", "ACCOUNT"):
        monkeypatch.delenv(f"STRIPREAD_{name}", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("words", [*(["records", *words] for words in COMMANDS), ["chart", "control"],
                                   ["chart", "show", "2031-A"], ["read", "a.jpg", "--batch", "2031-A"]],
                         ids=" ".join)
def test_who_looks_is_told_and_nothing_is_made(words: list[str], home: Path, capsys: Capture) -> None:
    assert run(words) == 2
    assert "there are no records" in capsys.readouterr().err
    assert list(home.iterdir()) == []


def test_nor_tables_in_an_empty_database(postgresql: Postgresql, monkeypatch: pytest.MonkeyPatch, capsys: Capture
                                         ) -> None:
    monkeypatch.setenv("STRIPREAD_DATABASE", postgresql.create("nothing_yet"))
    for _ in "again":
        assert run(["records", "list"]) == 2
        assert "there are no records yet" in capsys.readouterr().err
    assert run(["records", "batch", "2031-A", "--keeps-days", "90"]) == 0
    assert run(["records", "list"]) == 0
