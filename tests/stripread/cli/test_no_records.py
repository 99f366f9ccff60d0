"""Where there are no records, commands that only look say so, and make none."""

from __future__ import annotations

from pathlib import Path

import pytest

from stripread.cli.main import run
from tests.services import Postgresql

Capture = pytest.CaptureFixture[str]
COMMANDS = (
    "readings list", "readings show a", "readings export", "audit verify", "audit checkpoint", "audit list",
    "sites status", "maintenance due", "review queue", "accounts list", "readings re-evaluate --reproduce",
    "readings re-evaluate --supersede --why w", "storage backup copy", "storage info", "sites trend --point a",
    "storage purge abcdef --why w", "maintenance record unit", "machines list", "phones list", "strips list",
    "report site a -o report.html", "chart control", "read a.jpg --batch 2031-A")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty home, in which the commands are given."""
    for name in ("SETTINGS", "DATABASE", "PHOTOGRAPHS", "ACCOUNT"):
        monkeypatch.delenv(f"STRIPREAD_{name}", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("words", COMMANDS)
def test_reading_commands_report_a_missing_store_and_create_nothing(words: str, home: Path, capsys: Capture) -> None:
    assert run(words.split()) == 2
    assert "there are no records" in capsys.readouterr().err
    assert list(home.iterdir()) == []


@pytest.mark.parametrize(("words", "says"), [
    ("chart register none.json", "cannot be read"), ("chart register broken.json", "not valid JSON"),
    ("sites import dangling.csv", "nowhere"), ("sites import sound.csv dangling.csv", "nowhere"),
    ("readings take a.jpg --batch X", "there are no records"), ("strips list X", "there are no records"),
    ("strips open t --batch X", "there are no records"), ("chart check X t.csv", "no store with registered charts"),
    ("chart show 2031-A", "no store with registered charts"),
    ("accounts create Ada technician", "the first account must be an administrator"),
    ("accounts deactivate p-1", "there are no records")])
def test_a_first_command_that_fails_creates_nothing(words: str, says: str, home: Path, capsys: Capture) -> None:
    (home / "broken.json").write_text("{")
    (home / "sound.csv").write_text("group,name\nhills,Hills\n")
    (home / "dangling.csv").write_text("site,name,group\nmill,Mill,nowhere\n")
    before = sorted(home.iterdir())
    assert run(words.split()) == 2
    assert says in capsys.readouterr().err
    assert sorted(home.iterdir()) == before


def test_an_account_that_is_named_and_unknown_creates_nothing(
        home: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.setenv("STRIPREAD_ACCOUNT", "p-1")
    assert run(["strips", "set-expiry", "X", "--keeps-days", "90"]) == 2
    assert "unknown or deactivated" in capsys.readouterr().err
    assert list(home.iterdir()) == []


def test_a_dry_run_of_an_import_creates_nothing(home: Path, capsys: Capture) -> None:
    (home / "sound.csv").write_text("group,name\nhills,Hills\n")
    assert run(["sites", "import", "--dry-run", "sound.csv"]) == 0
    assert "would be new: 1 group of sites" in capsys.readouterr().out
    assert [path.name for path in home.iterdir()] == ["sound.csv"]


def test_pages_that_would_not_be_safe_create_nothing(home: Path, capsys: Capture) -> None:
    assert run(["serve", "--host", "0.0.0.0"]) == 2  # noqa: S104 - refused
    assert "without encryption" in capsys.readouterr().err
    assert list(home.iterdir()) == []


def test_after_the_first_account_the_store_acts(capsys: Capture) -> None:
    assert run(["accounts", "create", "Ada Exampleworth", "administrator", "analyst"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert run(["strips", "set-expiry", "X", "--keeps-days", "90"]) == 0
    assert run(["accounts", "list"]) == 0
    listed = capsys.readouterr().out.splitlines()[-1]
    assert listed.startswith(f"{out.strip()}  Ada Exampleworth  analyst, administrator")


def test_nor_tables_in_an_empty_database(postgresql: Postgresql, monkeypatch: pytest.MonkeyPatch, capsys: Capture
                                         ) -> None:
    monkeypatch.setenv("STRIPREAD_DATABASE", postgresql.create("nothing_yet"))
    for _ in "again":
        assert run(["readings", "list"]) == 2
        assert "there are no records yet" in capsys.readouterr().err
    assert run(["strips", "set-expiry", "2031-A", "--keeps-days", "90"]) == 0
    assert run(["readings", "list"]) == 0
