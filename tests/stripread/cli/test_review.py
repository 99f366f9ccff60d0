"""Review and reports by the command line."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import msgspec
import pypdfium2
import pytest

from calibration.chart import Chart
from stripread.cli.main import run
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Correction, StoredReading
from stripread.store.store import Store
from tests.stripread.store.histories import NOW, Value, keep, photograph_of, reading_of, with_chart

Capture = pytest.CaptureFixture[str]
FLAGGED = "reading of flagged"


@pytest.fixture(autouse=True)
def store(mill: Store, tmp_path: Path, sample_chart: Chart, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A store with six readings, one of them flagged; "ruth" reviews."""
    chart = with_chart(mill, sample_chart, "A")["A"]
    keep(mill, Account(id="ruth", roles=("reviewer",)))
    for i, name in enumerate(("a", "b", "c", "d", "e", "flagged")):
        shot = photograph_of(name, NOW + timedelta(days=i), point="tap", batch="A")
        kept = reading_of(shot, {"hardness": Value(60.0 + i)}, chart=chart)
        flags = ("glare",) if name == "flagged" else ()
        keep(mill, shot, msgspec.structs.replace(kept, reading=msgspec.structs.replace(kept.reading, flags=flags)))
    settings = tmp_path / "settings.toml"
    settings.write_text(f'database = "sqlite:///{tmp_path / "records.sqlite"}"\nphotographs = "{tmp_path / "p"}"\n'
                        'account = "ruth"\n[review]\nshare = 0.0\ndays = 36500\n'
                        '[issuer]\nname = "Invented Waterworks"\n')
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("STRIPREAD_SETTINGS", str(settings))
    return mill


def test_from_the_queue_to_a_decision(store: Store, capsys: Capture) -> None:
    assert run(["review", "queue", "--site", "mill", "--group", "North", "--json"]) == 0
    (entry,) = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert (entry["reading"], entry["why"][0]["kind"]) == (FLAGGED, "flags")
    value = ["--value", "hardness=95 ± 8 mg/L CaCO3"]
    assert run(["review", "correct", FLAGGED, *value, "--why", "by eye", "--json"]) == 0
    assert msgspec.json.decode(capsys.readouterr().out, type=Correction) == store.find(Correction)[0]
    assert run(["review", "reject", "reading of f", "--fault", "picture", "--why", "A lamp on it."]) == 0
    assert store.find(Correction)[0].estimate.value == 95.0
    capsys.readouterr()
    assert run(["review", "queue"]) == 0
    assert capsys.readouterr().out == "the review queue is empty (samples from the last 36500 days)\n"
    assert run(["review", "statistics"]) == 0
    assert "1 rejected, picture: poor photograph" in capsys.readouterr().out


def test_a_photograph_is_moved_to_where_it_belongs(capsys: Capture) -> None:
    to = ["--site", "Mill Lane", "--point", "behind the filter", "--why", "The wrong label was scanned."]
    assert run(["readings", "move", FLAGGED, *to, "--json"]) == 0
    new = msgspec.json.decode(capsys.readouterr().out, type=StoredReading)
    assert new.supersedes == FLAGGED
    assert run(["readings", "list", "--point", "behind", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["id"] == new.id
    assert run(["readings", "move", FLAGGED, *to]) == 2
    assert f"superseded; found current reading {new.id}" in capsys.readouterr().err
    assert run(["readings", "move", new.id, *to]) == 2
    assert "already recorded there" in capsys.readouterr().err
    assert run(["readings", "move", new.photograph, "--point", "tap", "--why", "No, it was right."]) == 0
    assert "; its reading is now " in capsys.readouterr().out


@pytest.mark.parametrize(("words", "said"), [
    (("reject", FLAGGED, "--fault", "glare", "--why", "x"), "'glare' is not one of"),
    (("reject", FLAGGED, "--fault", "picture", "--why", " "), "the reason is empty"),
    (("correct", FLAGGED, "--value", "hardness=95 mg/L CaCO3", "--why", "x"), "needs an uncertainty"),
    (("correct", FLAGGED, "--value", "taste=9 ± 1", "--why", "x"), "no such analyte"),
    (("accept", "nothing"), "no such reading"),
    (("queue", "--site", "nowhere"), "no such site"),
])
def test_what_cannot_be_done_is_reported(words: tuple[str, ...], said: str, store: Store, capsys: Capture) -> None:
    head = store.head()
    assert run(["review", *words]) == 2
    printed = capsys.readouterr()
    assert said in printed.err
    assert printed.out == ""
    assert store.head() == head


@pytest.mark.parametrize("words", [("site", "Mill Lane"), ("group", "north"), ("issue", FLAGGED)])
def test_reports_are_written_as_page_and_on_paper(words: tuple[str, str], tmp_path: Path, capsys: Capture) -> None:
    page, paper = tmp_path / "report.html", tmp_path / "out" / "report.pdf"
    assert run(["report", *words, "-o", str(page)]) == 0
    assert run(["report", *words, "-o", str(paper), "--paper", "letter"]) == 0
    first, second = (line.split()[1] for line in capsys.readouterr().out.splitlines())
    # The reading's report is kept and so the same; the others are of this minute, and say the same if it is.
    assert first == second or words[0] != "issue"
    assert first in page.read_text(encoding="utf-8")
    document = pypdfium2.PdfDocument(paper)
    assert document[0].get_size() == pytest.approx((612, 792))
    assert second in document[0].get_textpage().get_text_range()


def test_a_test_report_is_amended_only_with_a_reason(store: Store, tmp_path: Path, capsys: Capture) -> None:
    out = ["report", "issue", FLAGGED, "-o", str(tmp_path / "r.html")]
    assert run(out) == 0
    first = capsys.readouterr().out.split()[1]
    keep(store, msgspec.structs.replace(store.get(StoredReading, FLAGGED), id="again", supersedes=FLAGGED))
    assert run(["review", "accept", "again"]) == 0
    out[2] = "again"
    assert run(out) == 2
    assert "state the reason for the amendment (command line: --why)" in capsys.readouterr().err
    assert run(["report", "amend", *out[2:], "--why", "Read again, and reviewed."]) == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert f"amends report {first}" in page
    assert run(["report", "amend", *out[2:], "--why", "Again."]) == 2
    assert "nothing has changed since this report was issued" in capsys.readouterr().err
    assert "Read again, and reviewed." in page
