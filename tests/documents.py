"""Commands of README and manual, run in a folder with the sample photographs (`make manual`).

A block ```sh is run; in a block ```console the lines after each ``$ command`` are its output, which `filled` writes.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from tests import manual_reference

ROOT: Final = Path(__file__).parents[1]
MANUAL: Final = ROOT / "stripread" / "manual"
README: Final = ROOT / "README.md"
#: Pages with commands for a shell, in the order in which they are run after README.
ROLES: Final = ("analyst", "technician", "reviewer", "manager", "administrator", "integrator")
_CONSOLE: Final = re.compile(r"^```console\n(.*?)^```", re.DOTALL | re.MULTILINE)


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
    line = re.sub(r"(?<![\w/-])(?:\.venv/bin/)?stripread (?=\w|-)", f"{sys.executable} -m stripread ", line)
    mine = {name: value for name, value in os.environ.items() if not name.startswith("STRIPREAD_")}
    environment = {**mine, "PYTHONPATH": str(ROOT), "HOME": str(desk), "COLUMNS": "100"}
    done = subprocess.run(["bash", "-o", "pipefail", "-c", line], cwd=desk, env=environment, text=True,
                          capture_output=True, check=False)
    assert done.returncode == 0, (line, done.stderr)
    said = [text for text in done.stderr.splitlines() if not re.search("you act as account|assessed again", text)]
    assert said == [], line
    return done.stdout


def filled(text: str, desk: Path) -> str:
    """Return a document whose console blocks contain the output of their commands."""
    def fill(block: re.Match[str]) -> str:
        asked = [line for line in block[1].splitlines() if line.startswith("$ ")]
        shown = "\n".join(f"{line}\n{run(line.removeprefix('$ '), desk).rstrip()}\n" for line in asked)
        return f"```console\n{shown}```"
    return _CONSOLE.sub(fill, text)


def write() -> None:
    """Write the generated pages of the manual, and the output of the commands that README shows."""
    manual_reference.write()
    with tempfile.TemporaryDirectory() as folder:
        desk = prepare(Path(folder))
        run("make demo", desk)
        README.write_text(filled(README.read_text(encoding="utf-8"), desk), encoding="utf-8")


if __name__ == "__main__":
    write()
