"""Every command on a database server and a bucket: what one kind of database lets pass, another may refuse."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stripread.cli.main import run
from stripread.cli.records import COMMANDS

Capture = pytest.CaptureFixture[str]
BATCH, POINT = "samples", "limestone-hill/tap"
#: Each with what it needs to look at what the commands before it kept.
LOOKING = {
    "list": ["--site", "limestone-hill", "--flag", "chart-draft"], "export": ["--group", "hills"], "review": [],
    "reread": ["--check"], "overview": [], "trend": ["--point", POINT], "paired": [], "due": ["--shopping"],
    "head": [], "log": [], "people": ["list"], "service": ["limestone-hill/filter"], "batch": [BATCH],
    "report": ["--site", "limestone-hill", "-o", "site.html"], "verify": []}
#: Given by themselves below; where a backup is restored is tested with backups, on either kind.
KEEPING = {"keep", "import", "check", "add", "show", "let-go", "backup", "restore"}


@pytest.fixture(autouse=True)
def servers(tmp_path: Path, postgresql_url: str, bucket_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The store that the commands use."""
    for name, value in {"HOME": str(tmp_path), "STRIPREAD_DATABASE": postgresql_url,
                        "STRIPREAD_PHOTOGRAPHS": bucket_url}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(tmp_path)


def test_every_command_works_there(samples: Path, sample_chart_file: Path, capsys: Capture) -> None:
    assert LOOKING.keys() | KEEPING == COMMANDS.keys()
    site = str(samples / "sites" / "limestone-hill.jpg")
    for words in (
            ["keep", str(sample_chart_file), str(samples / "card-run-007.txt")],
            ["import", *map(str, sorted((samples / "firm").glob("*.csv")))],
            ["check", str(samples / "standards" / "standards.csv"), "--batch", BATCH],
            ["add", site, "--site", "limestone-hill", "--point", POINT, "--batch", BATCH],
            *([name, *options] for name, options in LOOKING.items()), ["backup", "copy"]):
        assert run(["records", *words]) == 0, capsys.readouterr().err
    assert run(["chart", "control"]) == run(["read", site, "--batch", BATCH]) == 0
    capsys.readouterr()
    assert run(["records", "list", "--site", "limestone-hill", "--json"]) == 0
    reading = json.loads(capsys.readouterr().out)
    assert run(["records", "show", reading["id"][:8]]) == 0
    assert "judged" in capsys.readouterr().out
    assert run(["records", "let-go", reading["photograph"][:8], "--why", "over", "--yes"]) == 0
    assert run(["records", "verify"]) == 0
