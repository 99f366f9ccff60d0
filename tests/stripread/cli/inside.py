"""The command inside this process: starting an interpreter for each costs more than what most commands do."""

from contextlib import redirect_stderr, redirect_stdout
from io import BytesIO, TextIOWrapper
from pathlib import Path
from typing import NamedTuple

from stripread.cli.main import run


class Done(NamedTuple):
    """As of a process that has ended."""

    returncode: int
    stdout: str
    stderr: str


def stripread(*args: str | Path) -> Done:
    """Run one command line. The streams take bytes, as a process's do, for a command writes text or bytes."""
    out, err = (TextIOWrapper(BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    with redirect_stdout(out), redirect_stderr(err):
        status = run([str(arg) for arg in args])
    for stream in (out, err):
        stream.seek(0)
    return Done(status, out.read(), err.read())
