"""Lists of kept readings against the same filters written out in Python; invented readings."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Literal

import pytest

from calibration.chart import Chart
from stripread.cli.main import run
from stripread.reading.result import Provenance, Reading
from stripread.records.custody import receive
from stripread.records.kinds.evidence import Photograph, StoredReading
from stripread.records.kinds.materials import Batch, StoredChart
from stripread.records.kinds.people import Account
from stripread.records.kinds.places import SamplingPoint, Site
from stripread.records.settings import load_settings
from stripread.records.store import Store, open_store

START = datetime(2031, 5, 1, 9, tzinfo=UTC)
SUPERSEDED = "r0"
#: id: day, site, status, flags
KEPT: dict[str, tuple[int, str, Literal["read", "refused"], tuple[str, ...]]] = {
    "r0": (0, "a", "read", ("blurred",)), "r1": (1, "a", "read", ()),
    "r2": (2, "b", "refused", ("no-card",)), "r3": (3, "a", "refused", ("card-partial", "blurred"))}


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sample_chart: Chart) -> Store:
    monkeypatch.setenv("STRIPREAD_DATABASE", f"sqlite:///{tmp_path / 'r.sqlite'}")
    monkeypatch.setenv("STRIPREAD_PHOTOGRAPHS", str(tmp_path / "photographs"))
    made = open_store(load_settings(), clock=lambda: START)
    with made.writing("t") as work:
        work.put(Account(id="t", roles=("technician",)), "account made")
        for site in "ab":
            work.put(Site(id=site, name=f"site {site}"), "imported")
            work.put(SamplingPoint(id=f"{site}1", site=site, place="mains", name="tap"), "imported")
        work.put(Batch(id=sample_chart.batch, strip=sample_chart.strip.name), "imported")
        work.put(StoredChart(id=sample_chart.id, batch=sample_chart.batch, at=START, chart=sample_chart), "imported")
    for id_ in KEPT:
        _keep(made, id_, sample_chart)
    return made


def _keep(store: Store, id_: str, chart: Chart) -> None:
    day, site, status, flags = KEPT[id_]
    data = id_.encode()
    name = sha256(data).hexdigest()
    receive(store, Photograph(id=name, name=f"{id_}.jpg", size=len(data), received=START, account="t",
                              point=f"{site}1"), data)
    made = Provenance(software="x 1", photo_sha256=name, pixels_sha256="", chart=chart.id,
                      batch=chart.batch, profile="")
    reading = Reading(photo=f"{id_}.jpg", status=status, reason="", flags=flags, provenance=made)
    kept = StoredReading(id=id_, photograph=name, at=START + timedelta(days=day), account="t", reading=reading,
                         supersedes=SUPERSEDED if id_ == "r1" else None)
    with store.writing("t") as work:
        work.put(kept, "read")


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize(("asked", "found"), [
    ((), ["r3", "r2", "r1"]),
    (("--site", "a"), ["r3", "r1"]),
    (("--last", "2"), ["r3", "r2"]),
    (("--status", "refused", "--site", "b"), ["r2"]),
    (("--flag", "blurred"), ["r3"]),
    (("--flag", "card-partial"), ["r3"]),
    (("--flag", "no-card", "--site", "a"), []),
    (("--since", "2031-05-02", "--until", "2031-05-03"), ["r2", "r1"]),
])
def test_a_list_holds_what_was_asked_for(capsys: pytest.CaptureFixture[str], asked: tuple[str, ...],
                                         found: list[str]) -> None:
    assert run(["records", "list", "--json", *asked]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [row["id"] for row in rows] == found
    for row in rows:
        day, site, status, flags = KEPT[row["id"]]
        assert (row["site"], row["status"], tuple(row["flags"])) == (site, status, flags)
        assert datetime.fromisoformat(row["at"]) == START + timedelta(days=day)


@pytest.mark.usefixtures("store")
def test_a_superseded_reading_is_still_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["records", "show", SUPERSEDED, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["reading"]["photo"] == "r0.jpg"


def test_the_head_is_that_of_the_log(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["records", "head", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["entries"], said["hash"]) == (store.head().entries, store.head().hash)
    # One account, two sites, two points, batch, chart; a photograph and a reading four times.
    assert said["entries"] == 7 + 2 * len(KEPT)


@pytest.mark.usefixtures("store")
def test_what_is_not_there_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["records", "show", "r9"]) == 2
    assert "r9" in capsys.readouterr().err
    assert run(["records", "list", "--flag", "no-such"]) == 2
