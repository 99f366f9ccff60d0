"""README and manual: every command and code block works; output and pictures are those of the program.

Commands run in the order README, analyst, technician, reviewer, manager, administrator, integrator, in one folder with
the sample photographs; a command that an earlier page has is run once.
"""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import pytest
from playwright.sync_api import Playwright

from tests import pictures
from tests.documents import README, SHOWING_OUTPUT, blocks, commands, filled, made, page, prepare, run, run_python
from tests.loops import some

START = README.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty folder with the sample photographs in it."""
    return prepare(tmp_path_factory.mktemp("desk"))


def test_commands_run_in_order_and_leave_what_they_say(desk: Path) -> None:
    lines = list(commands())
    assert lines[0] == "make demo"
    assert len(lines) > 30
    for line in lines:
        assert run(line, desk) or "> " in line, line
    for file in ("demo-out/chart.json", "demo-out/chalkstep-corner.html", "demo-out/saltmarrow-quay.png", "2026-A.json",
                 "limestone-hill.html", "drawn/limestone-hill.jpg.png", "cards.pdf", "batch-2026-A/sheet.html"):
        assert (desk / file).is_file(), file


@pytest.mark.parametrize("text", [START, page("integrator")], ids=["README", "integrator"])
def test_python_examples_run(text: str, desk: Path) -> None:
    (example,) = blocks(text, "python")
    assert len([line for line in example.splitlines() if line]) <= 10
    printed = run_python(example, desk)
    assert printed.count("mg/L") >= 4
    assert blocks(text, "text") in ([], [printed])


def test_the_two_commands_of_a_fresh_copy() -> None:
    assert set(re.findall(r"\bmake (\w+)", START.split("\n## ")[1])) == {"demo", "test"}
    assert made("demo").endswith("stripread demo")
    assert "pytest" in made("test")


@pytest.mark.parametrize("document", SHOWING_OUTPUT, ids=lambda document: document.name)
def test_output_in_documents_is_the_programs(document: Path, desk: Path) -> None:
    """If this fails, run `make manual` and commit the document."""
    text = document.read_text(encoding="utf-8")
    assert "```console" in text
    assert filled(text, desk) == text


def test_pictures_are_taken_from_the_program(desk: Path, playwright: Playwright, chromium: str,
                                                     tmp_path: Path) -> None:
    """If a page looks different now, run `make pictures` and commit them."""
    with pictures.browser(playwright, chromium) as opened:
        pictures.take(tmp_path, desk, opened)
    assert {f.name for f in tmp_path.iterdir()} == set(pictures.OF_README)
    for made_now in some(tmp_path.iterdir()):
        shown, committed = cv2.imread(str(made_now)), cv2.imread(str(pictures.PICTURES / made_now.name))
        assert shown is not None
        assert committed is not None
        assert shown.shape[1] == committed.shape[1]
    assert sum(f.stat().st_size for f in pictures.PICTURES.iterdir()) < 1.5e6
