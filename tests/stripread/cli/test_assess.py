"""``stripread assess``: what it prints, what it refuses, and its exit status."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from stripread.cli.main import run

SHORT = """[units.weak-acid-exchange]
name = "weak-acid exchange"
kind = "weak-acid-exchange"
capacity_eq = 6.0
"""
#: An invented reading as `stripread read --json` prints it.
READING = {"photo": "site.jpg", "status": "measured", "reason": "", "flags": [], "pads": [
    {"analyte": "hardness", "status": "measured", "value": 62.0, "low": 57.0, "high": 67.0, "unit": "mg/L CaCO3"},
    {"analyte": "alkalinity", "status": "measured", "value": 45.0, "low": 42.0, "high": 48.0, "unit": "mg/L CaCO3"},
    {"analyte": "ph", "status": "measured", "value": 7.5, "low": 7.4, "high": 7.6, "unit": "pH"},
    {"analyte": "chloride", "status": "measured", "value": 15.0, "low": 12.0, "high": 18.0, "unit": "mg/L Cl"},
    {"analyte": "chlorine", "status": "measured", "value": 0.05, "low": 0.0, "high": 0.1, "unit": "mg/L Cl2"}]}
REFUSED = {"photo": "dark.jpg", "status": "no-result", "reason": "The photograph is too dark.", "flags": ["dark"]}
HARD = ["--hardness", "14 °dH", "--alkalinity", "200 mg/L CaCO3", "--ph", "7.4", "--chloride", "20 mg/L"]


@pytest.fixture
def units(tmp_path: Path) -> list[str]:
    """A short catalogue, so that the tests are quick."""
    path = tmp_path / "units.toml"
    path.write_text(SHORT, encoding="utf-8")
    return ["--units", str(path)]


def lines(folder: Path, *readings: object) -> str:
    path = folder / "readings.jsonl"
    path.write_text("\n".join(json.dumps(r) for r in readings), encoding="utf-8")
    return str(path)


def test_verdict_first_then_the_action(units: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["assess", *HARD, *units, "--details"]) == 0
    printed = capsys.readouterr().out
    order = [printed.index(words) for words in (
        "Out of limits: scale", "Do: Install", "Water", "criterion", "Scale, at most:", "Options, best first",
        "Assumed:", "Cautions:", "Rule:")]
    assert order == sorted(order)
    assert max(len(line) for line in printed.splitlines()) <= 120


WATERS = [("15", "12", "7.3", "8", "0.1"), ("60", "42", "7.5", "20", "0.05"), ("280", "250", "7.5", "45", "0.9"),
          ("300", "60", "7.6", "40", "0.1"), ("220", "150", "7.4", "260", "0.2"), ("8", "240", "7.6", "50", "0.1")]


@pytest.mark.parametrize("water", WATERS)
def test_the_first_screen_fits_25_lines_and_is_complete(water: tuple[str, ...], capsys: pytest.CaptureFixture[str],
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal of 100 columns; on a narrower one cautions go before warnings."""
    monkeypatch.setenv("COLUMNS", "100")
    hardness, alkalinity, ph, chloride, chlorine = water
    assert run(["assess", "--hardness", f"{hardness} mg/L CaCO3", "--alkalinity", f"{alkalinity} mg/L CaCO3",
                "--ph", ph, "--chloride", f"{chloride} mg/L", "--chlorine", f"{chlorine} mg/L"]) == 0
    screen = capsys.readouterr().out.rstrip().splitlines()
    assert len(screen) <= 25
    text = " ".join(" ".join(screen).split())
    for words in ("Do: ", "total hardness", "not on file: ask the manufacturer (usually 30 to 50 mg/L)", "--details"):
        assert words in text
    assert "Within limits: the machine's limits" not in text
    if "Doses: " in text:
        assert "stops when flow, power or stock fails" in text
        assert "licensed installer" in text


def test_the_preference_and_the_margin_are_chosen_on_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    kinds = []
    for more in ([], ["--prefer", "closest"], ["--margin", "0"]):
        assert run(["assess", *HARD, "--json", *more]) == 0
        kinds.append(json.loads(capsys.readouterr().out)["plan"]["option"]["kind"])
    assert kinds[0] == "weak-acid-exchange"
    assert kinds[1].startswith("osmosis")
    assert kinds[2].startswith("osmosis")


def test_a_reading_from_a_file_and_from_a_pipe(tmp_path: Path, units: list[str], monkeypatch: pytest.MonkeyPatch,
                                               capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["assess", lines(tmp_path, READING), *units, "--json"]) == 0
    from_file = json.loads(capsys.readouterr().out)
    monkeypatch.setattr(sys, "stdin", io.StringIO(json.dumps(READING)))
    assert run(["assess", "-", *units, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == from_file
    assert from_file["sample"] == "site.jpg"


def test_typed_values_are_added_to_a_reading(tmp_path: Path, units: list[str],
                                             capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["assess", lines(tmp_path, READING), *units, "--calcium", "18 ± 1 mg/L", "--json"]) == 0
    assumed = {a["estimate"]["analyte"] for a in json.loads(capsys.readouterr().out)["assumptions"]}
    assert assumed == {"sulfate", "temperature"}


def test_a_photograph_without_result_is_reported_and_the_others_are_assessed(tmp_path: Path, units: list[str],
                                                                  capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["assess", lines(tmp_path, REFUSED, READING), *units, "--json"]) == 1
    out, err = capsys.readouterr()
    assert "dark.jpg: no result. The photograph is too dark." in err
    assert json.loads(out)["sample"] == "site.jpg"


@pytest.mark.parametrize(("fail_on", "status"), [([], 0), (["--fail-on", "out-of-limits"], 3),
                                                   (["--fail-on", "inconclusive"], 3)])
def test_a_verdict_changes_the_status_only_where_asked(units: list[str], fail_on: list[str], status: int,
                                                       capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["assess", *HARD, *units, "--json", *fail_on]) == status
    assert capsys.readouterr().err == ""


def test_inconclusive_is_not_out_of_limits(units: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    # Calcium fraction and chlorine unread: nothing out, something open.
    args = ["assess", "--hardness", "60 ± 3 mg/L CaCO3", "--alkalinity", "45 ± 3 mg/L CaCO3", "--ph", "7.5 ± 0.1",
            "--chloride", "15 ± 2 mg/L", *units, "--json"]
    assert run([*args, "--fail-on", "out-of-limits"]) == 0
    assert run([*args, "--fail-on", "inconclusive"]) == 3
    assert capsys.readouterr().err == ""


def test_the_report_is_written(tmp_path: Path, units: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["assess", *HARD, *units, "--report", str(tmp_path / "a.html")]) == 0
    assert "Out of limits" in capsys.readouterr().out
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "<svg" in page
    assert 'src="http' not in page


@pytest.mark.parametrize(("args", "says"), [
    ([], "there is nothing to assess"),
    (["--hardness", "60"], "--hardness: the value of total hardness has no unit"),
    (["--hardness", "-5 °dH"], "impossible"),
    (["--ph", "12", "--alkalinity", "40 mg/L CaCO3"], "impossible combination of pH and alkalinity"),
    (["--hardness", "60 mg/L CaCO3", "--machine", "kettle"], "no such machine; found"),
    (["--hardness", "60 mg/L CaCO3", "--limits", "strict"], "no such set of limits"),
    (["--hardness", "60 mg/L CaCO3", "--confidence", "1"], "confidence: is not a valid confidence"),
    (["--hardness", "60 mg/L CaCO3", "--units", "nowhere.toml"], "nowhere.toml: the file cannot be read"),
    (["nowhere.jsonl"], "nowhere.jsonl: the file cannot be read"),
])
def test_bad_input_is_one_message_and_status_2(args: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["assess", *args]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert says.removesuffix("; found") in err
    assert "Traceback" not in err
    assert len(err.strip().splitlines()) == 1


def test_an_unknown_key_names_file_and_key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    profile = tmp_path / "machine.toml"
    profile.write_text('name = "m"\n[[boilers]]\nname = "b"\nkind = "brew"\ntemperature = 93\nvolume_l = 1\n',
                       encoding="utf-8")
    assert run(["assess", "--hardness", "60 mg/L CaCO3", "--machine", str(profile)]) == 2
    assert "machine.toml: boilers[0]: unknown field `temperature`" in capsys.readouterr().err


def test_one_report_shows_every_sample(tmp_path: Path) -> None:
    other = {**READING, "photo": "other-bar.jpg"}
    assert run(["assess", lines(tmp_path, READING, other), "--report", str(tmp_path / "a.html")]) == 0
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert str(READING["photo"]) in page
    assert "other-bar.jpg" in page
