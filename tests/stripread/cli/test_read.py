"""``stripread read`` on the sample photographs, good and bad."""

from __future__ import annotations

import html
import json
import shutil
import struct
import subprocess
import sys
import zlib
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from PIL import Image

import stripread
from assess.inputs.text import NoResult, samples_from_lines
from calibration.chart import Chart, load_chart, save_chart
from stripread.cli import inputs, main
from stripread.cli.main import run
from stripread.reading.result import Reading
from tests.hostile import metadata
from tests.loops import some


@pytest.fixture
def options(samples: Path, sample_chart_file: Path) -> list[str]:
    return ["--chart", str(sample_chart_file), "--profile", str(samples / "card-run-007.txt")]


def complaint(capsys: pytest.CaptureFixture[str]) -> str:
    """The one message on standard error."""
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("stripread: ")
    assert err.count("\n") == 1
    return err


def test_reading_needs_no_scipy(samples: Path, options: list[str]) -> None:
    """Its import would take longer than a photograph."""
    code = ("import sys; from stripread.cli.main import run; status = run(sys.argv[1:]); "
            "sys.exit(status or 'scipy' in sys.modules)")
    subprocess.run([sys.executable, "-c", code, "read", str(samples / "sites" / "mill-yard.jpg"), *options],
                   check=True, capture_output=True)


@pytest.mark.parametrize("site", ["harbour-kiosk", "limestone-hill", "salt-quay", "mill-yard", "orchard-gate",
                                  "north-platform", "tower-lobby", "old-cellar"])
def test_intervals_of_sites_contain_the_true_values(site: str, samples: Path, options: list[str],
                                capsys: pytest.CaptureFixture[str]) -> None:
    """Truth of the rendered samples: at most one of the five 95 % intervals misses it, the card is where it is.

    With intervals that cover 95 %, two misses in five pads come to a site in 2 of 100.
    """
    photo = samples / "sites" / f"{site}.jpg"
    assert run(["read", str(photo), "--json", *options]) == 0
    reading = json.loads(capsys.readouterr().out)
    truth = json.loads(photo.with_suffix(".json").read_text())
    held = [p["low"] <= truth["pads"][p["analyte"]]["value"] <= p["high"] for p in reading["pads"]]
    assert len(held) == 5
    assert sum(held) >= 4
    np.testing.assert_allclose(reading["card"]["corners_px"], truth["card_corners_px"],
                               atol=0.002 * truth["scene"]["width"])


def test_json_lines_are_readings(samples: Path, options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["read", str(samples / "sites"), "--json", *options]) == 0
    readings = [msgspec.json.decode(line, type=Reading) for line in capsys.readouterr().out.splitlines()]
    assert [r.photo for r in readings] == sorted(p.name for p in (samples / "sites").glob("*.jpg"))


def test_text_gives_every_value_with_interval_and_unit(
        samples: Path, options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    photo = str(samples / "sites" / "limestone-hill.jpg")
    run(["read", photo, "--json", *options])
    reading = msgspec.json.decode(capsys.readouterr().out, type=Reading)
    run(["read", photo, *options])
    text = capsys.readouterr().out
    assert sum(" to " in line for line in text.splitlines()) == len(reading.pads)
    assert all(p.unit in text for p in some(reading.pads))


def test_a_refused_photograph_is_exit_1_and_the_others_are_read(
        samples: Path, options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    photos = [str(samples / "faults" / "no-strip.jpg"), str(samples / "sites" / "limestone-hill.jpg")]
    assert run(["read", *photos, "--json", *options]) == 1
    refused, good = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert (refused["status"], good["status"]) == ("no-result", "measured")
    assert "no-strip" in refused["flags"]
    assert refused["reason"]
    assert not any(p["value"] for p in refused["pads"])


def png_claiming(width: int, height: int) -> bytes:
    """A small PNG that claims a size."""
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(9))) + chunk(b"IEND", b"")


def bad_photos(samples: Path) -> dict[str, tuple[bytes, str]]:
    """Files that are not photographs, and a part of their messages."""
    good = (samples / "sites" / "limestone-hill.jpg").read_bytes()
    return {"empty.jpg": (b"", "empty"), "text.jpg": (b"not a picture at all", "not a photograph"),
            "cut.jpg": (good[: len(good) // 2], "truncated or damaged"),
            "huge.png": (png_claiming(10_000, 10_000), "10000 x 10000")}


@pytest.mark.parametrize("name", ["empty.jpg", "text.jpg", "cut.jpg", "huge.png"])
def test_a_file_that_is_not_a_photograph(name: str, tmp_path: Path, samples: Path, options: list[str],
                                      capsys: pytest.CaptureFixture[str]) -> None:
    content, says = bad_photos(samples)[name]
    (tmp_path / name).write_bytes(content)
    assert run(["read", str(tmp_path / name), *options]) == 2
    message = complaint(capsys)
    assert name in message
    assert says in message


def test_a_bad_file_does_not_keep_the_others_from_being_read(
        tmp_path: Path, samples: Path, options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty.jpg").write_bytes(b"")
    assert run(["read", str(tmp_path), str(samples / "sites" / "limestone-hill.jpg"), "--json", *options]) == 2
    assert json.loads(capsys.readouterr().out)["status"] == "measured"


def test_missing_file_and_empty_folder(tmp_path: Path, options: list[str],
                                       capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["read", str(tmp_path / "none.jpg"), *options]) == 2
    assert "none.jpg: there is no such file; check the path" in complaint(capsys)
    assert run(["read", str(tmp_path), *options]) == 2
    assert "contains no photographs" in complaint(capsys)


def test_a_folder_is_listed_in_order_in_parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many names are in memory at a time; other files are ignored."""
    names = sorted(f"{letter}{n}.jpg" for letter in "Aa" for n in range(4))
    for name in (*names[::-1], "notes.txt"):
        (tmp_path / name).touch()
    for at_a_time in (1, 3, 4, 8, 100):
        monkeypatch.setattr(inputs, "_NAMES", at_a_time)
        found = inputs.local_photos([tmp_path, tmp_path / "a1.jpg"])
        assert list(found) == [tmp_path / name for name in (*names, "a1.jpg")]
        assert len(found) == 9


def refused_inputs(samples: Path, chart: Chart, folder: Path) -> dict[str, tuple[list[str], str]]:
    """Charts and profiles that cannot serve, as options, and what the message says of them."""
    profile, charted = samples / "card-run-007.txt", folder / "chart.json"
    save_chart(chart, charted)
    other_card, other_run = folder / "other-card.json", folder / "other-run.txt"
    patches = chart.card.patches
    moved = msgspec.structs.replace(chart.card, patches=(msgspec.structs.replace(patches[0], id="Z9"), *patches[1:]))
    save_chart(msgspec.structs.replace(chart, card=moved), other_card)
    other_run.write_text(profile.read_text().replace('PRINT_RUN "7"', 'PRINT_RUN "8"'))
    (folder / "broken.json").write_text('{"format": "strip-chart/1",')
    (folder / "unknown.json").write_text(charted.read_text().replace('"batch"', '"bacth"', 1))
    (folder / "broken.txt").write_text("CGATS.17\nnothing of use\n")
    return {
        "no chart": (["--chart", str(folder / "none.json")], "none.json"),
        "chart is no JSON": (["--chart", str(folder / "broken.json")], "not valid JSON"),
        "chart with an unknown key": (["--chart", str(folder / "unknown.json")], "bacth"),
        "chart of another card": (["--chart", str(other_card), "--profile", str(profile)], "Z9"),
        "unreadable profile": (["--chart", str(charted), "--profile", str(folder / "broken.txt")], "broken.txt"),
        "profile of another print run": (["--chart", str(charted), "--profile", str(other_run)], "print run"),
    }


@pytest.mark.parametrize("case", ["no chart", "chart is no JSON", "chart with an unknown key",
                                  "chart of another card", "unreadable profile", "profile of another print run"])
def test_a_chart_or_profile_that_cannot_serve(case: str, tmp_path: Path, samples: Path, sample_chart: Chart,
                                              capsys: pytest.CaptureFixture[str]) -> None:
    choice, says = refused_inputs(samples, sample_chart, tmp_path)[case]
    assert run(["read", str(samples / "sites" / "limestone-hill.jpg"), *choice]) == 2
    assert says in complaint(capsys)


def test_without_profile_the_intervals_are_wider_and_it_is_flagged(
        samples: Path, sample_chart_file: Path, options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    photo = str(samples / "sites" / "limestone-hill.jpg")
    run(["read", photo, "--json", *options])
    measured: dict[str, Any] = json.loads(capsys.readouterr().out)
    run(["read", photo, "--json", "--chart", str(sample_chart_file)])
    nominal = json.loads(capsys.readouterr().out)
    assert "profile-missing" in nominal["flags"]
    assert "profile-missing" not in measured["flags"]
    wider = [n["high"] - n["low"] > m["high"] - m["low"]
             for n, m in zip(nominal["pads"], measured["pads"], strict=True) if n["value"] is not None]
    assert sum(wider) > len(wider) / 2


def test_overlays_are_written_and_never_replace_each_other(
        tmp_path: Path, samples: Path, options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    photo = samples / "sites" / "limestone-hill.jpg"
    assert run(["read", str(photo), "--overlay", str(tmp_path / "drawn"), *options]) == 0
    with Image.open(tmp_path / "drawn" / "limestone-hill.jpg.png") as drawn, Image.open(photo) as plain:
        assert drawn.width == plain.width
        assert drawn.height > plain.height
    capsys.readouterr()
    assert run(["read", str(photo), str(photo), "--overlay", str(tmp_path), *options]) == 2
    assert "limestone-hill.jpg 2 times" in complaint(capsys)


def test_the_saved_chart_is_the_chart(sample_chart: Chart, sample_chart_file: Path) -> None:
    assert load_chart(sample_chart_file) == sample_chart


def test_a_chart_flags_readings_until_it_is_released_and_once_it_is_withdrawn(
        sample_chart_file: Path, samples: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chart = Path(shutil.copy(sample_chart_file, tmp_path / "chart.json"))
    command = ["read", str(samples / "sites" / "mill-yard.jpg"), "--chart", str(chart),
               "--profile", str(samples / "card-run-007.txt"), "--json"]

    def flags() -> list[str]:
        assert run(command) == 0
        found: list[str] = json.loads(capsys.readouterr().out)["flags"]
        assert list(stripread.read_photo(command[1], chart, command[5]).flags) == found, "the same from Python"
        return found

    said = ["--by", "analyst-1", "--why", "check standards passed"]
    assert flags() == ["chart-draft"]
    assert run(["chart", "release", str(chart), *said, "--until", "2999-12-31"]) == 2
    assert flags() == ["chart-draft"]
    assert run(["chart", "release", str(chart), *said, "--until", "2999-12-31", "--despite", "a trial"]) == 0
    capsys.readouterr()
    assert flags() == ["chart-override"]
    assert run(["chart", "withdraw", str(chart), *said]) == 0
    capsys.readouterr()
    assert flags() == ["chart-withdrawn"]


def test_replicates_are_combined_into_one_result(samples: Path, options: list[str],
                                                 capsys: pytest.CaptureFixture[str]) -> None:
    photos = [str(samples / "standards" / f"H05-{light}.jpg") for light in ("window", "cool-led")]
    assert run(["read", *photos, "--json", *options]) == 0
    single = [json.loads(line)["pads"][0] for line in capsys.readouterr().out.splitlines()]
    assert run(["read", *photos, str(samples / "faults" / "no-strip.jpg"), "--combine", "--json", *options]) == 1
    (line,) = capsys.readouterr().out.splitlines()
    joint = json.loads(line)
    assert [out["photo"] for out in joint["left_out"]] == ["no-strip.jpg"]
    assert joint["pads"][0]["high"] - joint["pads"][0]["low"] < min(p["high"] - p["low"] for p in single)
    (sample,) = samples_from_lines(line, "joint")
    assert not isinstance(sample, NoResult)
    assert sample.get("hardness"), "an assessment takes the joint result like a reading"


def test_the_page_of_replicates_begins_with_their_joint_result(samples: Path, options: list[str], tmp_path: Path,
                                                               capsys: pytest.CaptureFixture[str]) -> None:
    """One level and another given as one sample: the disagreement comes first, and the joint result is assessed."""
    photos = [str(samples / "standards" / f"{name}.jpg") for name in ("H03-window", "H07-window")]
    page = tmp_path / "page.html"
    assert run(["read", *photos, "--combine", "--report", str(page), *options]) == 0
    said = capsys.readouterr().out
    assert "combined: 2 of 2 photographs, one strip each" in said
    lines = said.replace("\n    ", " ").splitlines()
    notes = [line.removeprefix("  ! ") for line in lines if "differ by more than" in line]
    assert any("total hardness" in note for note in notes)
    text = html.unescape(page.read_text(encoding="utf-8"))
    first, *singles = text.split("<article")[1:]
    for note in notes:
        assert first.index("Values") < first.index(note) < first.index("Limits")
    assert len(singles) == 2
    assert not any("Limits</h2>" in single for single in singles)
    joint = (tmp_path / "joint.json")
    assert run(["read", *photos, "--combine", "--json", *options]) == 0
    joint.write_text(capsys.readouterr().out, encoding="utf-8")
    assert run(["assess", str(joint), "--json"]) == 0
    assert set(notes) <= set(json.loads(capsys.readouterr().out)["notes"])


def test_combining_what_cannot_be_combined(samples: Path, options: list[str],
                                           capsys: pytest.CaptureFixture[str]) -> None:
    photo = str(samples / "sites" / "limestone-hill.jpg")
    assert run(["read", photo, photo, "--combine", "--json", *options]) == 2
    assert "a photograph is listed twice" in complaint(capsys)
    assert run(["read", photo, "--same-strip", *options]) == 2
    assert "--same-strip applies to --combine" in capsys.readouterr().err


def test_the_dip_is_held_against_the_time_of_exposure(samples: Path, options: list[str], tmp_path: Path,
                                                      capsys: pytest.CaptureFixture[str]) -> None:
    """Times of dip and exposure from the sample's truth; a copy without EXIF is read, and what is unknown is said."""
    photo = samples / "sites" / "limestone-hill.jpg"
    truth = json.loads(photo.with_suffix(".json").read_text())
    run(["read", str(photo), "--json", "--dipped", truth["dipped"], *options])
    in_time = json.loads(capsys.readouterr().out)
    assert not {"early", "late"} & set(in_time["flags"])
    elapsed = datetime.fromisoformat(truth["taken"]) - datetime.fromisoformat(truth["dipped"])
    assert in_time["provenance"]["after_dip_s"] == elapsed.total_seconds()
    run(["read", str(photo), "--json", "--dipped-seconds-ago", "3600", *options])
    assert "late" in json.loads(capsys.readouterr().out)["flags"]
    Image.open(photo).save(tmp_path / "bare.png")
    assert run(["read", str(tmp_path / "bare.png"), "--json", "--dipped", truth["dipped"], *options]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["provenance"]["after_dip_s"] is None
    assert "no time of exposure" in err


def test_a_manual_location_is_reported(samples: Path, options: list[str], tmp_path: Path,
                                      capsys: pytest.CaptureFixture[str]) -> None:
    """Corners and pads from the sample's truth, to the pixel, as a person would point at them."""
    photo = samples / "sites" / "limestone-hill.jpg"
    truth = json.loads(photo.with_suffix(".json").read_text())
    corners = " ".join(f"{x:.0f},{y:.0f}" for x, y in truth["card_corners_px"])
    pads = [f"--pads={a}={p['px'][0]:.0f},{p['px'][1]:.0f}" for a, p in truth["pads"].items()]
    page = tmp_path / "page.html"
    assert run(["read", str(photo), f"--corners={corners}", *pads, "--report", str(page), *options]) == 0
    assert "card and strip placed by hand" in capsys.readouterr().out
    assert "Card and strip placed by hand." in page.read_text()
    run(["read", str(photo), f"--corners={corners}", *pads, "--json", *options])
    reading = json.loads(capsys.readouterr().out)
    held = [p["low"] <= truth["pads"][p["analyte"]]["value"] <= p["high"] for p in reading["pads"]]
    assert (len(held), sum(held) >= 4) == (5, True)
    assert run(["read", str(photo), str(photo), f"--corners={corners}", *options]) == 2
    assert "give only one" in capsys.readouterr().err


def test_a_folder_is_read_despite_hostile_files_and_names(tmp_path: Path, samples: Path, options: list[str],
                                                        capsys: pytest.CaptureFixture[str]) -> None:
    """Chained TIFF directories, EXIF of the year 1, and a name that would steer the terminal (ISO/IEC 6429)."""
    (tmp_path / "a.tiff").write_bytes(metadata.chained_tiff())
    (tmp_path / "b.jpg").write_bytes(dict(metadata.cases())["date '0001:01:01 00:00:00'"])
    name = "c\x1b]0;owned\x07\x9b31m\u202e.jpg"
    (tmp_path / name).write_bytes((samples / "sites" / "harbour-kiosk.jpg").read_bytes())
    assert run(["read", str(tmp_path), *options]) == 2
    out, err = capsys.readouterr()
    assert "a.tiff" in err
    assert "b.jpg   " in out
    assert "owned" in out
    assert "mg/L" in out
    assert not {"\x1b", "\x07", "\x9b", "\u202e"} & {*out, *err}


def test_what_is_printed_passes_one_place() -> None:
    """Only `stripread.cli.output` writes to the terminal; two files write bytes and texts of the program's own."""
    folder = Path(main.__file__).parent
    direct = {str(f.relative_to(folder)) for f in folder.rglob("*.py") if "click.echo(" in f.read_text()}
    assert direct == {"output.py", "standards.py"}
