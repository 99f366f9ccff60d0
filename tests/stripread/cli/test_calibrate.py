"""``stripread calibrate``: the table it prints and the standards tables it refuses."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from calibration.chart import Chart, load_chart
from shared.flags import FLAGS
from stripread.cli.main import run
from stripread.cli.show_chart import scales, table
from tests.loops import some

Rows = list[list[str]]


@pytest.fixture
def bench(tmp_path: Path, samples: Path) -> Callable[[Rows], list[str]]:
    """Writes a standards table next to one photograph and gives the arguments to calibrate with it."""
    def write(rows: Rows) -> list[str]:
        shutil.copy(samples / "standards" / "H01-window.jpg", tmp_path)
        with (tmp_path / "standards.csv").open("w", newline="") as file:
            csv.writer(file).writerows(rows)
        return ["calibrate", str(tmp_path / "standards.csv"), "--profile", str(samples / "card-run-007.txt"),
                "--batch", "test", "-o", str(tmp_path / "chart.json")]
    return write


HEADER = ["photo", "standard", "role", "light", "hardness [mg/L CaCO3]", "u(hardness) [mg/L CaCO3]"]
ROW = ["H01-window.jpg", "H01", "standard", "window", "0", "0.2"]


@pytest.mark.parametrize(("rows", "says"), [
    ([[h.replace("mg/L CaCO3", "mg/L Ca") for h in HEADER], ROW], "a wrong unit; found hardness [mg/L Ca]"),
    ([HEADER[:2] + HEADER[3:], ROW[:2] + ROW[3:]], "a column is missing; found no column role"),
    ([HEADER, ["H99-window.jpg", *ROW[1:]]], "a photograph is missing; found"),
    ([HEADER, ROW], "too few levels"),
    ([HEADER, [*ROW[:4], "minus two", "0.2"]], "column hardness: is not a possible number; found minus two"),
    ([HEADER, [*ROW[:2], "stranger", *ROW[3:]]], "an unknown role; found stranger"),
    ([HEADER, ROW, ROW], "a photograph occurs twice"),
    ([HEADER], "the table is empty"),
], ids=lambda value: value if isinstance(value, str) else "")
def test_a_table_that_cannot_serve(rows: Rows, says: str, bench: Callable[[Rows], list[str]], tmp_path: Path,
                                   capsys: pytest.CaptureFixture[str]) -> None:
    assert run(bench(rows)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert says in err
    assert not (tmp_path / "chart.json").exists()


def test_the_table_has_a_row_for_each_level_with_its_colour(sample_chart: Chart) -> None:
    lines = list(table(sample_chart))
    assert sum(line[:8].strip().replace(".", "").isdecimal() for line in lines) == sum(
        len(c.levels) for c in sample_chart.curves)
    hardness = sample_chart.curves[0]
    first = lines[2].split()
    assert [float(v) for v in first[:2]] == [hardness.levels[0].value, hardness.levels[0].n]
    assert [float(v) for v in first[2:5]] == pytest.approx(hardness.levels[0].lab, abs=0.005)


def test_the_chosen_scale_is_listed_before_its_alternatives(sample_chart: Chart) -> None:
    for curve in some(sample_chart.curves):
        assert [t.left_out for t in curve.tried] == sorted((t.left_out for t in curve.tried), reverse=True)
        assert {t.scale.form for t in curve.tried} == {"straight", "logarithmic", "binding"}
        assert curve.tried[0].scale == curve.scale
        assert scales(curve).startswith(curve.scale.form)
        assert scales(curve).index("against") > scales(curve).index(f"({curve.left_out:.2f})")


Buffers = Callable[..., list[str]]


@pytest.fixture
def buffers(samples: Path, tmp_path: Path) -> Buffers:
    """Arguments to calibrate with the samples' pH buffers and one check; ``change`` may alter the rows."""
    def write(change: Callable[[Rows], Rows] = lambda rows: rows) -> list[str]:
        table = samples / "standards" / "standards.csv"
        header, *rows = csv.reader(table.read_text(encoding="utf-8").splitlines())
        kept = [[str(table.parent / row[0]), *row[1:]] for row in rows
                if row[1][0] == "P" or row[0] == "C01-window.jpg"]
        with (tmp_path / "buffers.csv").open("w", newline="") as file:
            csv.writer(file).writerows([header, *change(kept)])
        return ["calibrate", str(tmp_path / "buffers.csv"), "--profile", str(samples / "card-run-007.txt"),
                "--batch", "b", "-o", str(tmp_path / "c.json")]
    return write


def test_a_photograph_is_excluded_for_a_reason_that_the_chart_records(
        buffers: Buffers, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*buffers(), "--without", "P01-window.jpg", "--why", "strip bent", "--details"]) == 0
    out, err = capsys.readouterr()
    assert "P01-window.jpg is excluded: strip bent" in err
    chart = load_chart(tmp_path / "c.json")
    assert [(e.photo, e.why) for e in chart.conditions.excluded] == [("P01-window.jpg", "strip bent")]
    assert chart.conditions.photographs == 15
    assert re.search(r"C01 +7\.2 .* pass \(C01-window\.jpg\)", " ".join(out.split()))
    assert "closest to CIE LED" in out
    assert "if you photograph" in out
    assert run([*buffers(), "--without", "nobody.jpg", "--why", "strip bent"]) == 2
    assert "no such photograph to exclude; found nobody.jpg" in capsys.readouterr().err
    assert run([*buffers(), "--without", "P01-window.jpg"]) == 2
    assert "every --without needs a --why" in capsys.readouterr().err


def test_json_contains_the_table_and_a_report_is_written(
        buffers: Buffers, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*buffers(), "--json", "--report", str(tmp_path / "c.html")]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["chart"] == load_chart(tmp_path / "c.json").id
    (curve,) = printed["curves"]
    assert len(curve["levels"]) == 8
    assert len(curve["tried"]) == 3
    assert curve["gain"]["moves"][0]["u"] < curve["gain"]["u"]
    assert {light["seen"]["light"] for light in printed["lights"]} == {"window", "cool-led", "warm-led"}
    (check,) = printed["checks"]
    assert (check["pair"]["known"], check["verdict"]) == (7.2, "pass")
    assert printed["chart"] in (tmp_path / "c.html").read_text(encoding="utf-8")


def test_the_same_picture_under_two_names_is_refused(
        buffers: Buffers, samples: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "copy.jpg"
    shutil.copy(samples / "standards" / "P01-window.jpg", copy)
    assert run(buffers(lambda rows: [*rows, [str(copy), *rows[0][1:]]])) == 2
    assert "two files contain the same photograph; found P01-" in capsys.readouterr().err
    assert not (tmp_path / "c.json").exists()


def test_a_photograph_without_result_is_excluded_and_sets_the_exit_status(
        buffers: Buffers, samples: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    no_strip = str(samples / "faults" / "no-strip.jpg")
    assert run(buffers(lambda rows: [*rows, [no_strip, *rows[0][1:]]])) == 1
    assert f"no-strip.jpg is excluded: {FLAGS['no-strip'].words}" in capsys.readouterr().err
    assert [e.photo for e in load_chart(tmp_path / "c.json").conditions.excluded] == ["no-strip.jpg"]


def test_a_level_beyond_the_strip_is_refused_with_its_place(
        buffers: Buffers, capsys: pytest.CaptureFixture[str]) -> None:
    def stronger(rows: Rows) -> Rows:
        return [[("10.5" if cell in {"9", "9.0"} else cell) for cell in row] for row in rows]

    assert run(buffers(stronger)) == 2
    assert re.search(r"buffers\.csv:\d+, column ph: a level lies outside the strip type's range; found P08 with "
                     r"10\.5 pH; allowed: 6 to 9 pH", capsys.readouterr().err)


def test_a_failed_check_standard_sets_the_exit_status(
        buffers: Buffers, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def other(rows: Rows) -> Rows:
        return [["8.5" if row[1] == "C01" and cell == "7.2" else cell for cell in row] for row in rows]

    assert run(buffers(other)) == 1
    assert "1 failed" in capsys.readouterr().out
    assert (tmp_path / "c.json").exists()
