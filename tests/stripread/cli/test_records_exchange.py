"""The commands that list, show, export and import, as a person calls them."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest

from calibration.chart import Chart
from stripread.cli.main import run
from stripread.intake.receive import receive
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES, Account
from stripread.store.settings import load_settings
from stripread.store.store import open_store
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    commands_in,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)


@pytest.fixture
def places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    commands_in(tmp_path / "here", monkeypatch)


@pytest.fixture
def stored_reading(places: None, samples: Path, sample_chart: Chart,  # noqa: ARG001
                   capsys: pytest.CaptureFixture[str]) -> str:
    """The sample company, imported by the command, with one reading; returns its id."""
    store = open_store(load_settings())
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    assert run(["sites", "import", *map(str, sorted((samples / "company").glob("*.csv")))]) == 0
    assert "6 sites" in capsys.readouterr().out
    chart = with_chart(store, sample_chart, "B-7")["B-7"]
    photograph = photograph_of("=1+1.jpg", NOW, point="salt-quay/tap", batch="B-7")
    receive(store, photograph, b"=1+1.jpg")
    kept = reading_of(photograph, {"chloride": Value(212.0)}, chart=chart)
    keep(store, kept)
    store.close()
    return kept.id


def test_a_list_is_read_by_people_and_programs(stored_reading: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["readings", "list", "--site", "Salt Quay", "--reviewed", "unreviewed"]) == 0
    said = capsys.readouterr()
    head, row, values = said.out.splitlines()
    assert head.split("  ")[0] == "reading"
    assert "Salt Quay" in row
    assert "chloride 212" in values
    assert run(["readings", "list", "--group", "water", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["id"] == stored_reading
    assert run(["readings", "list", "--point", "mill"]) == 0
    assert capsys.readouterr().err == "stripread: no matching reading\n"
    assert run(["readings", "list", "--site", "no-such"]) == 2


def test_all_about_a_reading_is_shown(stored_reading: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["readings", "show", stored_reading[:9]]) == 0
    said = capsys.readouterr().out
    for part in ("212", "The waterside round, Salt Quay, cellar tap (mains)", "chart-draft", "received",
                 "not reviewed yet"):
        assert part in said
    assert run(["readings", "show", stored_reading, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["site"]["id"] == "salt-quay"
    assert run(["readings", "show", "nothing"]) == 2


def test_a_full_export_survives_import_and_export(stored_reading: str, tmp_path: Path,
                                                         monkeypatch: pytest.MonkeyPatch,
                                                         capsys: pytest.CaptureFixture[str]) -> None:
    first, second, along = tmp_path / "a.jsonl", tmp_path / "b.jsonl", tmp_path / "along"
    export = ["storage", "export", "-o"]
    assert run([*export, str(first), "--photographs", str(along)]) == 0
    # By whatever names the files go there.
    (tmp_path / "named").mkdir()
    shutil.copy(next(p for p in along.rglob("*") if p.is_file()), tmp_path / "named" / "tap.jpg")
    commands_in(tmp_path / "there", monkeypatch)
    imported = ["storage", "import", str(first), "--photographs", str(tmp_path / "named")]
    assert run([*imported, "--dry-run"]) == 0
    assert "would be new: 1 account, 2 groups of sites" in capsys.readouterr().out
    assert run(imported) == 0
    assert run([*export, str(second)]) == 0
    assert second.read_bytes() == first.read_bytes()
    there = open_store(load_settings())
    assert verify_store(there).wrong == ""
    there.close()
    capsys.readouterr()
    assert run(["readings", "list", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["id"] == stored_reading


def test_a_table_is_exported_for_spreadsheets(stored_reading: str, tmp_path: Path) -> None:
    assert run(["readings", "export", "--site", "salt-quay", "-o", str(tmp_path / "t.csv")]) == 0
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert (row["reading"], float(row["chloride [mg/L Cl]"])) == (stored_reading, 212.0)
    assert list(tmp_path.glob(".*.part")) == []


@pytest.mark.usefixtures("stored_reading")
def test_a_mistake_is_reported_and_not_imported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "sites.csv").write_text("site,name,group\nnew,New,nowhere\n")
    assert run(["sites", "import", str(tmp_path / "sites.csv")]) == 2
    assert "sites.csv:2" in capsys.readouterr().err
    assert run(["readings", "list", "--site", "new"]) == 2
