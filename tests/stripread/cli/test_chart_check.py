"""The samples' check solutions, C01 to C03, read on the samples' chart, of which they were no part."""

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from calibration.checks import Pair
from shared.estimate import Estimate
from stripread.cli.main import run
from stripread.report.calibration_text import agreement_lines

Run = Callable[..., str]


@pytest.fixture
def check(sample_chart_file: Path, samples: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the command on a table, the samples' own if none is given, and gives what it printed."""
    def go(*options: str, table: Path = samples / "standards" / "standards.csv", status: int = 0,
           command: str = "check") -> str:
        found = run(["chart", command, str(sample_chart_file), str(table), "--profile",
                     str(samples / "card-run-007.txt"), *options])
        assert found == status
        return capsys.readouterr().out
    return go


def altered(samples: Path, folder: Path, change: Callable[[dict[str, str]], None]) -> Path:
    """The check rows of the samples' table after a change, in the folder of their photographs."""
    with (samples / "standards" / "standards.csv").open(newline="") as file:
        rows = [r for r in csv.DictReader(file) if r["role"] == "check"]
    for row in rows:
        change(row)
        shutil.copy(samples / "standards" / row["photo"], folder)
    with (folder / "standards.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return folder / "standards.csv"


def test_checks_are_recovered(check: Run) -> None:
    """Prepared values of the rendered solutions; nineteen in twenty zeta scores lie within 2."""
    output = json.loads(check("--json"))
    assert {c["pair"]["sample"] for c in output} == {"C01", "C02", "C03"}
    assert all(c["verdict"] != "fail" for c in output)
    assert sum(abs(c["zeta"]) <= 2 for c in output) >= 0.8 * len(output)
    text = check()
    assert "hardness [mg/L CaCO3]:" in text
    assert "pass (C01-window.jpg)" in text


def test_a_mislabelled_solution_fails(check: Run, samples: Path, tmp_path: Path) -> None:
    def half(row: dict[str, str]) -> None:
        row["hardness [mg/L CaCO3]"] = str(float(row["hardness [mg/L CaCO3]"]) / 2)

    table = altered(samples, tmp_path, half)
    output = json.loads(check("--json", table=table, status=1))
    check("--json", "--fail-on", "none", table=table)
    assert {c["verdict"] for c in output if c["pair"]["read"]["analyte"] == "hardness"} == {"fail"}


def test_waters_show_bias_and_intrinsic_uncertainty(check: Run, samples: Path, tmp_path: Path) -> None:
    """Reference values stated a fifth lower than the truth: readings lie a quarter above them."""
    def lower(row: dict[str, str]) -> None:
        row["alkalinity [mg/L CaCO3]"] = str(float(row["alkalinity [mg/L CaCO3]"]) / 1.25)

    table = altered(samples, tmp_path, lower)
    output = json.loads(check("--json", table=table, command="validate"))
    assert output["alkalinity"]["n"] == 3
    assert output["alkalinity"]["bias"] == pytest.approx(0.25, abs=0.05)
    text = check(table=table, command="validate")
    assert "  a reading of 60 mg/L CaCO3 " in text
    assert "intrinsic standard uncertainty of the strip:" in text


@pytest.mark.parametrize(("read", "line"), [
    ((31.0, 62.0, 93.0), "a reading of 60 mg/L CaCO3 corresponds to 58.1 ("),
    ((50.0, 90.0, 55.0), "a reading of 60 mg/L CaCO3 has no reference value: too few waters"),
    ((130.0, 160.0, 190.0), "is outside the range measured on these waters; no reference value can be given")])
def test_what_a_reading_corresponds_to(read: tuple[float, ...], line: str) -> None:
    """Three waters of 30, 60 and 90 mg/L: on a line, so scattered that its slope may be zero, without low values."""
    waters = [Pair(f"W{known:g}", known=known, u_known=0.3, read=Estimate(
        analyte="hardness", value=value, low=value - 0.6, high=value + 0.6, unit="mg/L CaCO3"))
        for known, value in zip((30.0, 60.0, 90.0), read, strict=True)]
    assert line in "\n".join(agreement_lines("hardness", waters))
