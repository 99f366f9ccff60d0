"""Reading again, backing up and restoring by the command line, as a new user would type it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import msgspec
import pytest

from calibration.chart import Chart, load_chart, save_chart
from stripread.cli.main import run
from stripread.reading.result import Reading
from stripread.store.models.evidence import StoredReading
from stripread.store.settings import load_settings
from stripread.store.store import open_store
from tests.stripread.store.histories import commands_in

Capture = pytest.CaptureFixture[str]
BATCH = "samples"


@pytest.fixture
def kept(tmp_path: Path, samples: Path, sample_chart_file: Path, monkeypatch: pytest.MonkeyPatch,
         capsys: Capture) -> Path:
    """A store with a site's photograph read in it; the photograph's path."""
    commands_in(tmp_path / "first", monkeypatch)
    photo = Path(shutil.copy(samples / "sites" / "salt-quay.jpg", tmp_path))
    assert run(["chart", "register", str(sample_chart_file)]) == 0
    assert run(["card", "register", str(samples / "card-run-007.txt")]) == 0
    assert run(["readings", "take", str(photo), "--batch", BATCH]) == 0
    capsys.readouterr()
    return photo


def readings() -> list[StoredReading]:
    store = open_store(load_settings())
    found = store.find(StoredReading)
    store.close()
    return found


def test_read_prints_the_stored_values(kept: Path, samples: Path, sample_chart_file: Path, capsys: Capture) -> None:
    """One JSON but for what only the records know: that no check standard was read with this phone."""
    profile = str(samples / "card-run-007.txt")
    assert run(["read", str(kept), "--chart", str(sample_chart_file), "--profile", profile, "--json"]) == 0
    printed = msgspec.json.decode(capsys.readouterr().out, type=Reading)
    (stored,) = readings()
    assert msgspec.structs.replace(stored.reading, flags=printed.flags) == printed
    assert set(stored.reading.flags) - set(printed.flags) == {"phone-new"}


@pytest.mark.usefixtures("kept")
def test_check_then_compare_then_supersede(tmp_path: Path, sample_chart_file: Path, capsys: Capture) -> None:
    assert run(["readings", "re-evaluate", "--reproduce"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "1 reading: 1 the same", "no records changed"]
    newer = load_chart(sample_chart_file)
    save_chart(_renamed(newer), tmp_path / "newer.json")
    assert run(["chart", "register", str(tmp_path / "newer.json")]) == 0
    capsys.readouterr()
    assert run(["readings", "re-evaluate"]) == 0
    assert "changed chart" in capsys.readouterr().out
    assert len(readings()) == 1
    assert run(["readings", "re-evaluate", "--supersede", "--why", "made later", "--json"]) == 0
    one, summary = map(json.loads, capsys.readouterr().out.splitlines())
    assert (one["outcome"], summary["superseded"]) == ("same", 1)
    (new,) = (r for r in readings() if r.supersedes)
    assert (new.id, new.chart) == (one["new"], _renamed(newer).id)
    assert run(["readings", "re-evaluate", one["id"][:10], "--supersede", "--why", "once more"]) == 0
    assert "already superseded: 1" in capsys.readouterr().out


def _renamed(chart: Chart) -> Chart:
    """The same curves, made later."""
    later = msgspec.structs.replace(chart.conditions, made="2031-01-01T00:00Z")
    return msgspec.structs.replace(chart, conditions=later)


@pytest.mark.parametrize(("options", "says"), [
    (["--reproduce", "--supersede"], "--reproduce uses the original chart"),
    (["--supersede"], "--supersede needs a reason"), (["--supersede", "--why", " "], "--supersede needs a reason"),
    (["--why", "so"], "--why is the reason of --supersede")])
def test_options_that_contradict_each_other(options: list[str], says: str, capsys: Capture) -> None:
    assert run(["readings", "re-evaluate", *options]) == 2
    assert says in capsys.readouterr().err


@pytest.mark.usefixtures("kept")
def test_backup_and_restore(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    assert run(["audit", "checkpoint"]) == 0
    head = capsys.readouterr().out.split()[-1]
    before = readings()
    assert run(["storage", "backup", str(tmp_path / "backup")]) == 0
    output = capsys.readouterr().out
    assert "1 photograph (1 new)" in output
    assert output.strip().endswith(head)
    assert run(["storage", "restore", str(tmp_path / "backup")]) == 2
    assert "never overwrites data" in capsys.readouterr().err
    commands_in(tmp_path / "second", monkeypatch)
    assert run(["storage", "restore", str(tmp_path / "backup")]) == 0
    assert capsys.readouterr().out.strip().endswith(head)
    assert readings() == before
    assert run(["readings", "re-evaluate", "--reproduce"]) == 0
