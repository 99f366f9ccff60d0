"""Commands of README and manual, run in a folder with the sample photographs (`make manual`).

A block ```sh is run; in a block ```console the lines after each ``$ command`` are its output, which `filled` writes.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import runpy
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final
from unittest import mock

from stripread.cli.main import run as cli_run
from tests import manual_reference

ROOT: Final = Path(__file__).parents[1]
MANUAL: Final = ROOT / "stripread" / "manual"
README: Final = ROOT / "README.md"
#: Documents that show the output of commands.
SHOWING_OUTPUT: Final = (README, MANUAL / "treatment.md")
#: Pages with commands for a shell, in the order in which they are run after README.
ROLES: Final = ("analyst", "technician", "reviewer", "manager", "administrator", "integrator")
_SHELL: Final = re.compile(r"[|<$&;]|>>")
_REDIRECTED: Final = re.compile(r"(.*?)(?: > (\S+))?")
#: What commands report on standard error besides warnings: the store was created, the water was assessed again.
_NOTICES: Final = re.compile(r"the\s+current\s+account\s+is|^\d+ samples? assessed,")
_CONSOLE: Final = re.compile(r"^```console\n(.*?)^```", re.DOTALL | re.MULTILINE)
#: A Python example, followed by what it prints.
_PRINTED: Final = re.compile(r"^(```python\n(.*?)^```\n\n```text\n).*?^```", re.DOTALL | re.MULTILINE)


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of a language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)


def page(name: str) -> str:
    """Return a page of the manual."""
    return (MANUAL / f"{name}.md").read_text(encoding="utf-8")


def commands() -> Iterator[str]:
    """Return every command of README and manual once, in order, without the folder of the program."""
    texts = (README.read_text(encoding="utf-8"), *(page(name) for name in ROLES))
    yield from dict.fromkeys(line.replace(".venv/bin/stripread", "stripread") for text in texts
                             for block in blocks(text, "sh") for line in block.splitlines() if line)


def made(target: str) -> str:
    """Return the command that make runs for a target, the environment being there."""
    dry = subprocess.run(["make", "-n", "--no-print-directory", "-o", ".venv/.ready", target], cwd=ROOT,
                         check=True, capture_output=True, text=True)
    return dry.stdout.splitlines()[-1]


def prepare(desk: Path) -> Path:
    """Return the folder with the sample photographs in it."""
    (desk / "sample_images").symlink_to(ROOT / "sample_images")
    return desk


def run(command: str, desk: Path) -> str:
    """Run a line of a document by this interpreter; return its output. AssertionError if it fails or warns."""
    line = made("demo") if command == "make demo" else command
    mine = {name: value for name, value in os.environ.items() if not name.startswith("STRIPREAD_")}
    environment = {**mine, "PYTHONPATH": str(ROOT), "HOME": str(desk), "COLUMNS": "100"}
    inside = shlex.split(line)[0].endswith("stripread") and not _SHELL.search(line)
    status, out, err = (_run_inside if inside else _run_shell)(line, desk, environment)
    assert status == 0, (line, err)
    said = [text for text in re.split("^(?=stripread: )", err, flags=re.MULTILINE)
            if text and not _NOTICES.search(text)]
    assert said == [], line
    return out


def _run_inside(line: str, desk: Path, environment: dict[str, str]) -> tuple[int, str, str]:
    """Run a command in this process, which has imported the libraries already; wildcards and ``> FILE`` as a shell."""
    command = _REDIRECTED.fullmatch(line)
    assert command is not None
    words = [name for word in shlex.split(command[1]) for name in _expanded(word, desk)]
    streams = [io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2)]
    with (mock.patch.dict(os.environ, environment, clear=True), contextlib.chdir(desk),
          contextlib.redirect_stdout(streams[0]), contextlib.redirect_stderr(streams[1])):
        status = cli_run(words[1:])
    out, err = (_text(stream) for stream in streams)
    if command[2] is None:
        return status, out, err
    (desk / command[2]).write_text(out, encoding="utf-8")
    return status, "", err


def _expanded(word: str, desk: Path) -> list[str]:
    """The files of a pattern in ``desk``; any other word alone."""
    return [str(f.relative_to(desk)) for f in sorted(desk.glob(word))] if "*" in word else [word]


def run_python(example: str, desk: Path) -> str:
    """Run a Python example in this process, in ``desk``; return its output."""
    (desk / "example.py").write_text(example, encoding="utf-8")
    out = io.StringIO()
    with contextlib.chdir(desk), contextlib.redirect_stdout(out):
        runpy.run_path("example.py", run_name="__main__")
    return out.getvalue()


def _text(stream: io.TextIOWrapper) -> str:
    stream.seek(0)
    return stream.read()


def _run_shell(line: str, desk: Path, environment: dict[str, str]) -> tuple[int, str, str]:
    """Run a line with pipes, redirections or wildcards as a shell does."""
    line = re.sub(r"(?<![\w/-])(?:\.venv/bin/)?stripread (?=\w|-)", f"{sys.executable} -m stripread ", line)
    done = subprocess.run(["bash", "-o", "pipefail", "-c", line], cwd=desk, env=environment, text=True,
                          capture_output=True, check=False)
    return done.returncode, done.stdout, done.stderr


def filled(text: str, desk: Path) -> str:
    """Return a document with the output of the commands and Python examples that it shows."""
    def fill(block: re.Match[str]) -> str:
        asked = [line for line in block[1].splitlines() if line.startswith("$ ")]
        shown = "\n".join(f"{line}\n{run(line.removeprefix('$ '), desk).rstrip()}\n" for line in asked)
        return f"```console\n{shown}```"
    return _PRINTED.sub(lambda found: f"{found[1]}{run_python(found[2], desk)}```", _CONSOLE.sub(fill, text))


def write() -> None:
    """Write the generated pages of the manual, and the output of the commands that documents show."""
    manual_reference.write()
    with tempfile.TemporaryDirectory() as folder:
        desk = prepare(Path(folder))
        run("make demo", desk)
        for document in SHOWING_OUTPUT:
            document.write_text(filled(document.read_text(encoding="utf-8"), desk), encoding="utf-8")


if __name__ == "__main__":
    write()
