"""Every command on a database server and a bucket: what one kind of database lets pass, another may refuse."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stripread.cli.main import run

Capture = pytest.CaptureFixture[str]
BATCH, POINT = "samples", "limestone-hill/tap"
#: Commands that use what the commands before them stored.
LOOKING = (
    "readings list --site limestone-hill --flag chart-draft", "readings export --group hills", "review queue",
    "review statistics", "readings re-evaluate --reproduce", "sites status", f"sites trend --point {POINT}",
    "sites compare-lab", "maintenance due", "maintenance shopping", "maintenance record limestone-hill/filter",
    "machines list", "phones list", f"strips list {BATCH}", "audit list", "audit checkpoint", "audit verify",
    "accounts list", "storage info", "report site limestone-hill -o site.html", "chart control",
    "storage export -o all.jsonl", "storage backup copy")


@pytest.fixture(autouse=True)
def servers(tmp_path: Path, postgresql_url: str, bucket_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The store that the commands use."""
    for name, value in {"HOME": str(tmp_path), "STRIPREAD_DATABASE": postgresql_url,
                        "STRIPREAD_PHOTOGRAPHS": bucket_url}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(tmp_path)


def test_every_command_works_there(samples: Path, sample_chart_file: Path, capsys: Capture) -> None:
    site = str(samples / "sites" / "limestone-hill.jpg")
    for words in (
            ["chart", "register", str(sample_chart_file)],
            ["card", "register", str(samples / "card-run-007.txt")],
            ["sites", "import", *map(str, sorted((samples / "company").glob("*.csv")))],
            ["chart", "check", BATCH, str(samples / "standards" / "standards.csv")],
            ["readings", "take", site, "--site", "limestone-hill", "--point", POINT, "--batch", BATCH],
            *(line.split() for line in LOOKING)):
        assert run(words) == 0, capsys.readouterr().err
    assert run(["read", site, "--batch", BATCH]) == 0
    capsys.readouterr()
    assert run(["readings", "list", "--site", "limestone-hill", "--json"]) == 0
    reading = json.loads(capsys.readouterr().out)
    assert run(["readings", "show", reading["id"][:8]]) == 0
    assert "assessed" in capsys.readouterr().out
    assert run(["storage", "purge", reading["photograph"][:8], "--why", "over", "--yes"]) == 0
    assert run(["audit", "verify"]) == 0
