"""Texts that people read use the glossary's terms: none of the words below, except for the listed uses."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.manual_reference import MANUAL, pages

ROOT = Path(__file__).parents[1]
#: Folders and files that are checked.
CHECKED = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "assess", "calibration", "shared", "tests/bench",
           *(f"stripread/{name}" for name in (
               "reading", "store", "intake", "exchange", "monitoring", "review", "report", "demo", "manual", "web",
               "cli")))
#: Words that have a standard term (stripread/manual/glossary.md), as regular expressions.
BANNED = (
    r"told", r"tells?", r"doubts?", r"doubted", r"vouch(?:es|ed)?", r"lets? go", r"whoever", r"so many", r"worst first",
    r"mend(?:s|ed)?", r"restless", r"strangers?", r"comes? again", r"beside", r"nobody", r"as it was",
    r"behind the unit", r"(?<!there )(?:is|are) no (?:photograph|number|colour|label|fault|part|reason)s?",
    r"bites?", r"eats?", r"lays? down", r"laid down", r"spent", r"stands?", r"holds?",
)
PATTERN = re.compile(rf"\b(?:{'|'.join(BANNED)})\b", re.IGNORECASE)
#: Legitimate uses: a verb of handling; actions of the audit trail that earlier versions wrote.
ALLOWED = re.compile(r"\bHold the phone\b|^(?:told|told more|let go)$")
#: Text outside programs: documents, messages, templates, scripts.
SUFFIXES = (".md", ".toml", ".html", ".js", ".css", ".svg", ".json")


#: Pages of the manual that are generated from docstrings and help, which are checked where they are written.
GENERATED = {MANUAL / name for name in pages()}


def files() -> Iterator[Path]:
    for place in CHECKED:
        path = ROOT / place
        found = sorted(f for f in path.rglob("*") if f.is_file() and f.suffix != ".pyc") if path.is_dir() else (path,)
        yield from (f for f in found if f not in GENERATED)


def texts(file: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every string, docstring and comment of a Python file; each line of another text file."""
    if file.suffix not in (".py", *SUFFIXES):
        return
    content = file.read_text(encoding="utf-8")
    if file.suffix == ".py":
        yield from ((node.lineno, node.value) for node in ast.walk(ast.parse(content))
                    if isinstance(node, ast.Constant) and isinstance(node.value, str))
        yield from ((n, line.partition("# ")[2] or line.partition("#: ")[2])
                    for n, line in enumerate(content.splitlines(), 1) if "# " in line or "#: " in line)
    else:
        yield from enumerate(content.splitlines(), 1)


@pytest.mark.parametrize("file", list(files()), ids=lambda file: str(file.relative_to(ROOT)))
def test_texts_use_the_terms_of_the_glossary(file: Path) -> None:
    assert [f"{line}: {text.strip()}" for line, text in texts(file) if PATTERN.search(ALLOWED.sub("", text))] == []


def test_names_of_tests_use_the_terms_of_the_glossary() -> None:
    names = {name for file in (ROOT / "tests").rglob("test_*.py")
             for name in re.findall(r"def (test_\w+)", file.read_text(encoding="utf-8"))}
    assert len(names) > 500
    assert sorted(name for name in names if PATTERN.search(name.replace("_", " "))) == []


@pytest.mark.parametrize("text", ["Nobody can sign in yet.", "It stands in its place.", "The limit holds.", "tells",
                                  "This is no photograph."])
def test_the_check_finds_banned_words(text: str) -> None:
    assert PATTERN.search(text)
