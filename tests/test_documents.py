"""README and manual: every command and code block works, every link leads somewhere, the reference pages are current.

Commands run in the order README, analyst, technician, reviewer, manager, administrator, integrator, in one folder with
the sample photographs; a command that an earlier page has is run once.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from stripread.cli.main import COMMANDS
from stripread.store.settings import SettingsFile
from tests import manual_reference

ROOT = Path(__file__).parents[1]
MANUAL = ROOT / "stripread" / "manual"
README = (ROOT / "README.md").read_text(encoding="utf-8")
#: Pages with commands for a shell, in the order in which they are run.
ROLES = ("analyst", "technician", "reviewer", "manager", "administrator", "integrator")
PAGES = sorted(MANUAL.glob("*.md"))


def blocks(text: str, language: str) -> list[str]:
    """The fenced blocks of a language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)


def page(name: str) -> str:
    return (MANUAL / f"{name}.md").read_text(encoding="utf-8")


def made(target: str) -> str:
    """The command that make runs for a target, the environment being there."""
    dry = subprocess.run(["make", "-n", "--no-print-directory", "-o", ".venv/.ready", target], cwd=ROOT,
                         check=True, capture_output=True, text=True)
    return dry.stdout.splitlines()[-1]


def lines() -> Iterator[str]:
    """Every command of README and manual once, without the folder of the program."""
    texts = (README, *(page(name) for name in ROLES))
    yield from dict.fromkeys(line.replace(".venv/bin/stripread", "stripread") for text in texts
                             for block in blocks(text, "sh") for line in block.splitlines() if line)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty folder with the sample photographs in it."""
    folder = tmp_path_factory.mktemp("desk")
    (folder / "sample_images").symlink_to(ROOT / "sample_images")
    return folder


def run(command: str, desk: Path) -> str:
    """Run a line of a document by this interpreter."""
    line = made("demo") if command == "make demo" else command
    line = re.sub(r"(?<![\w/-])(?:\.venv/bin/)?stripread (?=\w|-)", f"{sys.executable} -m stripread ", line)
    mine = {name: value for name, value in os.environ.items() if not name.startswith("STRIPREAD_")}
    environment = {**mine, "PYTHONPATH": str(ROOT), "HOME": str(desk)}
    done = subprocess.run(["bash", "-o", "pipefail", "-c", line], cwd=desk, env=environment, text=True,
                          capture_output=True, check=False)
    assert done.returncode == 0, (line, done.stderr)
    assert [text for text in done.stderr.splitlines() if "you act as account" not in text] == [], line
    return done.stdout


def test_commands_run_in_order_and_leave_what_they_say(desk: Path) -> None:
    commands = list(lines())
    assert commands[0] == "make demo"
    assert len(commands) > 40
    for line in commands:
        assert run(line, desk) or "> " in line, line
    for file in ("demo-out/chart.json", "demo-out/limestone-hill.html", "demo-out/salt-quay.png", "2026-A.json",
                 "limestone-hill.html", "drawn/limestone-hill.jpg.png", "cards.pdf", "batch-2026-A/sheet.html"):
        assert (desk / file).is_file(), file


@pytest.mark.parametrize("text", [README, page("integrator")], ids=["README", "integrator"])
def test_python_examples_run(text: str, desk: Path) -> None:
    (example,) = blocks(text, "python")
    assert len([line for line in example.splitlines() if line]) <= 10
    (desk / "example.py").write_text(example)
    assert run(f"{sys.executable} example.py", desk).count("mg/L") >= 4


def test_the_two_commands_of_a_fresh_copy() -> None:
    start = README.split("\n## ")[1]
    assert set(re.findall(r"\bmake (\w+)", start)) == {"demo", "test"}
    assert made("demo").endswith("stripread demo")
    assert "pytest" in made("test")


def test_every_command_is_in_the_table_of_readme() -> None:
    assert set(re.findall(r"^\| `stripread (\w+)` \|", README, re.MULTILINE)) == set(COMMANDS)


@pytest.mark.parametrize("text", [README, page("administrator")], ids=["README", "administrator"])
def test_settings_in_documents_are_accepted(text: str) -> None:
    import msgspec

    examples = blocks(text, "toml")
    assert examples
    for example in examples:
        msgspec.convert(tomllib.loads(example), SettingsFile)


@pytest.mark.parametrize("file", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *PAGES], ids=lambda file: file.name)
def test_links_lead_to_files(file: Path) -> None:
    found = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", file.read_text(encoding="utf-8"))
    assert [link for link in found if not link.startswith("http") and not (file.parent / link).exists()] == []


def test_every_page_is_linked_from_the_index() -> None:
    linked = set(re.findall(r"\]\(([^)]+)\)", page("index")))
    assert {file.name for file in PAGES} - linked == {"index.md"}


@pytest.mark.parametrize("name", list(manual_reference.pages()))
def test_reference_pages_are_current(name: str) -> None:
    """If this fails, run `make manual` and commit the pages."""
    assert (MANUAL / name).read_text(encoding="utf-8") == manual_reference.pages()[name]


def test_paths_named_in_the_manual_exist() -> None:
    named = {path for file in PAGES for path in re.findall(
        r"`((?:shared|calibration|assess|stripread|tests)/[\w/.-]+)`", file.read_text(encoding="utf-8"))}
    assert len(named) > 30
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []
