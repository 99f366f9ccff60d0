"""From files to kept readings by the command line, as a new user would type it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest

from calibration.chart import Chart, save_chart
from calibration.standards import read_standards
from shared.strip import default_strip
from shared.text import written
from stripread.cli.main import run
from stripread.intake.qualification import qualified_models
from stripread.intake.receive import SampleInfo, receive_photo
from stripread.intake.standards import for_control
from stripread.monitoring.schedule.due import materials as due_materials
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.reading.photo_file import open_photo
from stripread.store.chart_selection import chart_flags as materials_state
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredCheckResult, StoredReading
from stripread.store.models.materials import Batch, StoredChart
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_status import last_reading
from stripread.store.store import Store
from tests.loops import some
from tests.stripread.intake.phone_photos import CAMERA, phone_photo, shifted
from tests.stripread.store.histories import keep, new_store

BATCH = "samples"
Capture = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def store(home: Path) -> Iterator[Store]:
    """The store that the commands of this test use."""
    opened = new_store(home)
    yield opened
    opened.close()


@pytest.fixture
def kept(store: Store, samples: Path, sample_chart_file: Path, capsys: Capture) -> Store:
    """With chart and profile, kept by the commands."""
    assert run(["chart", "register", str(sample_chart_file)]) == 0
    assert run(["card", "register", str(samples / "card-run-007.txt")]) == 0
    printed = capsys.readouterr()
    assert "profile of print run 7" in printed.out
    assert "the current account is" in printed.err
    return store


def test_photographs_are_acknowledged_read_judged_and_not_doubled(
        kept: Store, samples: Path, tmp_path: Path, capsys: Capture) -> None:
    (account,) = kept.ids(Account)
    keep(kept, Site(id="s-1", name="Mill Lane"), by=account)
    keep(kept, SamplingPoint(id="p-1", site="s-1", place="mains", name="tap"), by=account)
    folder = tmp_path / "today"
    folder.mkdir()
    shutil.copy(samples / "sites" / "salt-quay.jpg", folder)
    shutil.copy(samples / "faults" / "no-strip.jpg", folder)
    (folder / "cut.jpg").write_bytes((samples / "sites" / "mill-yard.jpg").read_bytes()[:5000])
    where = ["--batch", BATCH, "--site", "Mill Lane", "--point", "tap"]
    assert run(["readings", "take", str(folder), *where, "--json"]) == 2
    out, err = capsys.readouterr()
    assert (err.count("\n"), "cut.jpg" in err, "phone of unknown model" in err) == (2, True, True)
    printed = [json.loads(line) for line in out.splitlines()]
    assert [t["photo"] for t in printed if "received" in t] == ["no-strip.jpg", "salt-quay.jpg"]
    refused, good = printed[2:]
    assert (refused["status"], refused["verdict"], "no-strip" in refused["flags"]) == ("no-result", None, True)
    assert (good["status"], good["verdict"], len(good["values"])) == ("measured", "out-of-limits", 5)
    assert kept.get(StoredAssessment, good["assessment"]).reading == good["reading"]
    assert {p.point for p in kept.find(Photograph)} == {"p-1"}
    assert run(["readings", "take", str(folder / "salt-quay.jpg"), *where]) == 0
    text = capsys.readouterr().out
    assert text.startswith("received salt-quay.jpg")
    assert "stored earlier as reading" in text
    assert len(kept.find(StoredReading)) == len(kept.find(Photograph)) == 2
    assert verify_store(kept).wrong == ""


def test_received_photographs_are_evaluated_with_the_option_waiting(kept: Store, samples: Path,
                                                                    capsys: Capture) -> None:
    (account,) = kept.ids(Account)
    keep(kept, Site(id="s-1", name="Mill Lane"), by=account)
    keep(kept, SamplingPoint(id="p-1", site="s-1", place="mains", name="tap"), by=account)
    left = receive_photo(kept, account, open_photo(samples / "faults" / "no-strip.jpg"), SampleInfo(batch=BATCH))
    receive_photo(
        kept, account, open_photo(samples / "standards" / "C01-window.jpg"), SampleInfo(batch=BATCH, standard="C01")
    )
    other = str(samples / "faults" / "overexposed.jpg")
    assert run(["readings", "take", other, "--batch", BATCH, "--point", "p-1", "--waiting", "--json"]) == 1
    printed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [t["photo"] for t in printed if "reading" in t] == ["overexposed.jpg", "no-strip.jpg"]
    assert last_reading(kept, left.id) is not None
    assert run(["readings", "take", "--waiting"]) == 0, "nothing waits"
    assert run(["readings", "take"]) == 2
    assert "give --waiting" in capsys.readouterr().err


def test_the_shelf_life_of_a_batch_is_recorded(kept: Store, capsys: Capture) -> None:
    assert run(["strips", "set-expiry", BATCH, "--expires", "2099-12-31", "--keeps-days", "10"]) == 0
    assert run(["strips", "open", "t-1", "--batch", BATCH, "--on", "2026-01-01"]) == 0
    text = capsys.readouterr().out
    assert "use by 2026-01-11" in text
    assert "! batch-expired:" in text
    assert "! chart-draft:" in text
    assert run(["strips", "open", "t-2", "--batch", "mistyped"]) == 2
    assert f"no such strip batch; found mistyped; allowed: {BATCH}" in capsys.readouterr().err
    assert kept.ids(Batch) == [BATCH]
    assert run(["strips", "finish", "t-1", "--batch", BATCH, "--on", "2026-02-01", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["charts"] == kept.ids(StoredChart)
    assert printed["batch"]["expires"] == "2099-12-31", "what was said before stays"
    assert printed["tubes"][0] == {"id": "t-1", "batch": BATCH, "opened": "2026-01-01", "finished": "2026-02-01"}


def test_read_takes_chart_profile_and_state_from_the_records(
        kept: Store, samples: Path, sample_chart_file: Path, capsys: Capture) -> None:
    """The same values and flags as on the files themselves: the photograph does not contain the phone's model."""
    photo = str(samples / "sites" / "harbour-kiosk.jpg")
    printed = []
    for given in (["--batch", BATCH], ["--chart", str(sample_chart_file), "--profile",
                                       str(samples / "card-run-007.txt")]):
        assert run(["read", photo, *given, "--json"]) == 0
        printed.append(json.loads(capsys.readouterr().out))
    assert printed[0].pop("flags") == printed[1].pop("flags")
    assert printed[0] == printed[1]
    assert kept.find(Photograph) == [], "it was only read"


def test_a_list_shows_values_and_an_unknown_phone_is_reported_once(
        kept: Store, samples: Path, tmp_path: Path, capsys: Capture) -> None:
    for name in ("harbour-kiosk", "limestone-hill"):
        (tmp_path / f"{name}.jpg").write_bytes(phone_photo(samples / "sites" / f"{name}.jpg").data)
    photos = [str(tmp_path / f"{name}.jpg") for name in ("harbour-kiosk", "limestone-hill")]
    assert run(["readings", "take", *photos, "--batch", BATCH]) == 0
    reported = [line for line in capsys.readouterr().err.splitlines() if CAMERA in line]
    assert len(reported) == 1
    assert "`stripread chart check BATCH TABLE`" in reported[0]
    assert run(["readings", "take", *photos, "--batch", BATCH, "--phone", "none"]) == 2
    (once,) = [line for line in capsys.readouterr().err.splitlines() if "no such phone" in line]
    assert "register the phone: `stripread phones register" in once
    assert run(["readings", "list"]) == 0
    text = capsys.readouterr().out
    assert run(["readings", "list", "--json"]) == 0
    for line in some(capsys.readouterr().out.splitlines()):
        listed = json.loads(line)
        values = {v["analyte"]: v for v in listed["values"]}
        read = {e.analyte: e for e in kept.get(StoredReading, listed["id"]).reading.values()}
        assert {a: (v["value"], v["low"], v["high"]) for a, v in values.items()} == {
            a: pytest.approx((e.value, e.low, e.high), rel=1e-5) for a, e in read.items()}
        assert f"hardness {written(read['hardness'], 'mg/L CaCO3').value}" in text


@pytest.mark.parametrize(("args", "says"), [
    (["--batch", "X"], "no calibration chart for this batch; found batch X; allowed: samples"),
    ([], "give --batch of a registered chart"), (["--batch", "X", "--chart", "a.json"], "give --batch of")])
def test_read_lists_the_registered_batches(kept: Store, samples: Path, args: list[str], says: str,
                                           capsys: Capture) -> None:
    assert run(["read", str(samples / "sites" / "harbour-kiosk.jpg"), *args]) == 2
    assert says in capsys.readouterr().err
    assert kept.where.endswith("records.sqlite")


def test_a_registered_chart_is_released_and_withdrawn_by_the_current_account(
        kept: Store, sample_chart: Chart, samples: Path, capsys: Capture) -> None:
    (account,) = kept.ids(Account)
    assert run(["chart", "release", BATCH, "--why", "checks passed", "--until", "2099-12-31", "--by", "me"]) == 2
    assert "omit --by" in capsys.readouterr().err
    assert run(["chart", "release", BATCH, "--why", "checks passed", "--until", "2099-12-31"]) == 2
    assert "fails the release gate" in capsys.readouterr().err
    assert run(["strips", "set-expiry", BATCH, "--expires", "2099-12-31"]) == 0
    assert run(["chart", "check", BATCH, str(samples / "checks" / "checks.csv")]) == 0
    assert run(["chart", "release", BATCH, "--why", "checks passed", "--until", "2099-12-31"]) == 0
    assert materials_state(kept, sample_chart, kept.clock()) == ()
    assert run(["chart", "withdraw", sample_chart.id[:10], "--why", "a drift was seen"]) == 0
    capsys.readouterr()
    assert run(["chart", "show", BATCH, "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["state"] == "chart-withdrawn"
    assert [(r["state"], r["by"], r["why"]) for r in printed["releases"]] == [
        ("released", account, "checks passed"), ("withdrawn", account, "a drift was seen")]
    assert run(["chart", "show", "another"]) == 2
    assert "allowed: batches samples, or a chart file" in capsys.readouterr().err
    assert verify_store(kept).wrong == ""


@pytest.fixture
def checks(samples: Path, tmp_path: Path) -> Path:
    """The samples' check standards as photographed by a phone that writes its model."""
    table = samples / "standards" / "standards.csv"
    units = {p.analyte: p.unit for p in default_strip().pads}
    for row in read_standards(table, units):
        if row.role == "check":
            (tmp_path / row.photo.name).write_bytes(phone_photo(row.photo, taken="2026:03:01 09:00:00").data)
    lines = table.read_text().splitlines()
    own = tmp_path / "checks.csv"
    own.write_text("\n".join([lines[0], *(line for line in lines if ",check," in line)]) + "\n")
    return own


def known(kept: Store) -> set[tuple[str, str, float]]:
    return {(c.standard, c.analyte, c.known) for c in kept.find(StoredCheckResult)}


def test_check_standards_are_stored_charted_and_qualify_a_phone(
        kept: Store, checks: Path, samples: Path, tmp_path: Path, capsys: Capture) -> None:
    assert run(["chart", "check", BATCH, str(checks), "--json"]) == 0
    printed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert ["phone-new" in t["flags"] for t in printed if "reading" in t] == [False] * 3
    assert {(s, v) for s, a, v in known(kept) if a == "hardness"} == {("C01", 60.0), ("C02", 120.0), ("C03", 220.0)}
    assert len(kept.find(StoredCheckResult)) == 15
    assert kept.find(StoredAssessment) == []
    assert run(["chart", "check", BATCH, str(checks)]) == 0
    assert "hardness [mg/L CaCO3]: 3 of 3 pass" in capsys.readouterr().out
    assert len(kept.find(StoredCheckResult)) == 15, "again, nothing is doubled"
    assert qualified_models(kept, kept.clock()) == {CAMERA}
    intervals, today = load_intervals(), date(2026, 3, 2)
    (phone,) = (item for item in due_materials(kept, intervals, today) if item.kind == "phone")
    assert phone.on == date(2026, 3, 1) + timedelta(days=intervals.material.phone)
    ours = for_control(kept)["hardness"]
    assert [(r.run, r.standard, r.phone) for r in ours] == [("2026-03-01", f"C0{i}", CAMERA) for i in (1, 2, 3)]
    capsys.readouterr()
    assert run(["chart", "control", "--json"]) == 0
    charts = {c["analyte"]: c for c in json.loads(capsys.readouterr().out)}
    assert charts["hardness"]["waiting"].keys() == {"C01", "C02", "C03"}
    photo = tmp_path / "site.jpg"
    photo.write_bytes(phone_photo(samples / "sites" / "harbour-kiosk.jpg").data)
    assert run(["read", str(photo), "--batch", BATCH, "--json"]) == 0
    assert "phone-new" not in json.loads(capsys.readouterr().out)["flags"]
    assert verify_store(kept).wrong == ""


@pytest.mark.usefixtures("kept")
def test_strips_are_expired_by_the_day_of_exposure(samples: Path, tmp_path: Path, capsys: Capture) -> None:
    """Both dates are past today; one is before the photograph."""
    photo = tmp_path / "site.jpg"
    photo.write_bytes(phone_photo(samples / "sites" / "harbour-kiosk.jpg", taken="2026:03:01 09:00:45").data)

    def flags(expires: str) -> list[str]:
        assert run(["strips", "set-expiry", BATCH, "--expires", expires]) == 0
        capsys.readouterr()
        assert run(["read", str(photo), "--batch", BATCH, "--json"]) == 0
        return list(json.loads(capsys.readouterr().out)["flags"])

    assert "batch-expired" not in flags("2026-04-01")
    assert "batch-expired" in flags("2026-02-01")


def test_check_standards_that_are_read_again_count_as_they_read_now(
        kept: Store, checks: Path, tmp_path: Path, sample_chart: Chart) -> None:
    assert run(["chart", "check", BATCH, str(checks)]) == 0
    before = for_control(kept)["hardness"]
    chart = shifted(sample_chart)
    save_chart(chart, tmp_path / "later.json")
    assert run(["chart", "register", str(tmp_path / "later.json")]) == 0
    assert run(["readings", "re-evaluate", "--chart", chart.id, "--supersede", "--why", "a later chart"]) == 0
    now = for_control(kept)["hardness"]
    assert [(r.run, r.standard, r.phone) for r in now] == [(r.run, r.standard, r.phone) for r in before]
    assert all(a.value != b.value for a, b in some(zip(now, before, strict=True)))
    assert {c.reading for c in kept.find(StoredCheckResult)} == {
        r.id for p in kept.ids(Photograph) if (r := last_reading(kept, p)) is not None}
    assert run(["chart", "check", BATCH, str(checks)]) == 0
    assert len(kept.find(StoredCheckResult)) == 15, "again, nothing is doubled"
    assert verify_store(kept).wrong == ""


def test_a_phone_whose_check_standards_fail_is_not_qualified(kept: Store, checks: Path, capsys: Capture) -> None:
    """The table says three times the hardness that was in the solutions."""
    rows = [line.split(",") for line in checks.read_text().splitlines()]
    tripled = [rows[0], *([*r[:4], str(3 * float(r[4])), *r[5:]] for r in rows[1:])]
    checks.write_text("\n".join(map(",".join, tripled)) + "\n")
    assert run(["chart", "check", BATCH, str(checks)]) == 1
    assert "hardness [mg/L CaCO3]: 0 of 3 pass" in capsys.readouterr().out
    assert qualified_models(kept, kept.clock()) == frozenset()


def test_control_charts_need_checks(kept: Store, capsys: Capture) -> None:
    assert run(["chart", "control"]) == 2
    assert "the store contains no check standards" in capsys.readouterr().err
    assert for_control(kept) == {}
