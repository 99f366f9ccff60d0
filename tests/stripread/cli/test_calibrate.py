"""``stripread calibrate``: the table it prints and the standards tables it refuses."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from calibration.chart import Chart, load_chart
from stripread.cli.calibrate import table
from stripread.cli.main import run

Rows = list[list[str]]


@pytest.fixture
def bench(tmp_path: Path, samples: Path) -> Callable[[Rows], list[str]]:
    """Writes a standards table beside one photograph and gives the arguments to calibrate with it."""
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
    ([HEADER, [*ROW[:4], "minus two", "0.2"]], "column hardness: no possible number; found minus two"),
    ([HEADER, [*ROW[:2], "stranger", *ROW[3:]]], "an unknown role; found stranger"),
    ([HEADER, ROW, ROW], "a photograph stands twice"),
    ([HEADER], "the standards table is empty"),
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
    assert sum(line[:10].strip().replace(".", "").isdecimal() for line in lines) == sum(
        len(c.levels) for c in sample_chart.curves)
    hardness = sample_chart.curves[0]
    first = lines[2].split()
    assert [float(v) for v in first[:2]] == [hardness.levels[0].value, hardness.levels[0].n]
    assert [float(v) for v in first[2:5]] == pytest.approx(hardness.levels[0].lab, abs=0.005)


def test_a_photograph_is_left_out_for_a_reason_that_the_chart_keeps(
        samples: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["calibrate", str(samples / "standards" / "standards.csv"), "--profile",
               str(samples / "card-run-007.txt"), "--batch", "b", "-o", str(tmp_path / "c.json")]
    assert run([*command, "--without", "P01-window.jpg", "--why", "strip bent"]) == 0
    assert "P01-window.jpg is left out: strip bent" in capsys.readouterr().err
    chart = load_chart(tmp_path / "c.json")
    assert [(e.photo, e.why) for e in chart.conditions.excluded] == [("P01-window.jpg", "strip bent")]
    assert run([*command, "--without", "nobody.jpg", "--why", "strip bent"]) == 2
    assert "no such photograph to leave out; found nobody.jpg" in capsys.readouterr().err
    assert run([*command, "--without", "P01-window.jpg"]) == 2
    assert "every --without needs its --why" in capsys.readouterr().err
