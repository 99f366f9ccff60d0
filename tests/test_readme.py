"""What README tells people to type works, as written, from an empty folder beside the sample photographs."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """The fenced blocks of a language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def made(target: str) -> str:
    """The command that make runs for a target, the environment being there."""
    dry = subprocess.run(["make", "-n", "--no-print-directory", "-o", ".venv/.ready", target], cwd=ROOT,
                         check=True, capture_output=True, text=True)
    return dry.stdout.splitlines()[-1]


def typed(line: str) -> str:
    """A line as it runs in a test: by this interpreter, and `make demo` as the command that make runs."""
    line = made("demo") if line == "make demo" else line
    assert "stripread" in line
    return line.replace(".venv/bin/stripread", f"{sys.executable} -m stripread")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty folder with the sample photographs in it."""
    folder = tmp_path_factory.mktemp("desk")
    (folder / "sample_images").symlink_to(ROOT / "sample_images")
    return folder


def run(command: str, desk: Path) -> str:
    mine = {name: value for name, value in os.environ.items() if not name.startswith("STRIPREAD_")}
    environment = {**mine, "PYTHONPATH": str(ROOT), "HOME": str(desk)}
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], cwd=desk, env=environment, text=True,
                          capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert [line for line in done.stderr.splitlines() if "you act as account" not in line] == []
    return done.stdout


def test_commands_run_in_order_and_leave_what_they_say(desk: Path) -> None:
    lines = [line for block in blocks("sh") for line in block.splitlines() if line]
    assert lines[0] == "make demo"
    for line in lines:
        assert run(typed(line), desk)
    for file in ("demo-out/chart.json", "demo-out/limestone-hill.html", "demo-out/salt-quay.png", "2026-A.json",
                 "limestone-hill.html", "drawn/limestone-hill.jpg.png"):
        assert (desk / file).is_file(), file


def test_the_two_commands_of_a_fresh_copy() -> None:
    """Named in README's first section, and each does what it says there."""
    start = README.split("\n## ")[1]
    assert set(re.findall(r"\bmake (\w+)", start)) == {"demo", "test"}
    assert made("demo").endswith("stripread demo")
    assert "pytest" in made("test")


def test_the_python_example_runs_in_ten_lines(desk: Path) -> None:
    (example,) = blocks("python")
    lines = [line for line in example.splitlines() if line]
    assert len(lines) <= 10
    (desk / "example.py").write_text(example)
    told = run(f"{sys.executable} example.py", desk)
    assert told.count("mg/L") >= 4
    assert "scale" in told


def test_every_command_is_in_the_table() -> None:
    from stripread.cli.main import COMMANDS

    assert set(re.findall(r"^\| `stripread (\w+)` \|", README, re.MULTILINE)) == set(COMMANDS)
