"""Commands in forked children of this process, which has imported everything already.

A child is a process of its own with its own connections and files; only the imports of a cold start, which write
nothing, are saved. Photographs are decoded in the child itself, as the workers of the server do it: the separate
decoder does not write to the store either. A child is killed after a time, or at one of its own effects: the calls
that change a file or the database, each immediately before and immediately after.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout, suppress
from dataclasses import dataclass
from functools import partial
from io import BytesIO, TextIOWrapper
from pathlib import Path
from types import FrameType
from typing import Any, Final, NoReturn, TextIO

from stripread.cli.main import run as run_command_line

#: Built-in functions that change a file or the database.
_CHANGING: Final = frozenset({"execute", "executemany", "commit", "fsync", "replace", "mkdir", "unlink", "write"})
#: Statements of SQL that change nothing.
_READING: Final = ("SELECT", "PRAGMA")
#: Exit status of a child that had an error the command line does not handle.
_FAULT: Final = 70


@dataclass(frozen=True, slots=True)
class Ended:
    """What a child printed, its status, negative: the signal that ended it; seconds; the number of its effects."""

    out: str
    err: str
    status: int
    seconds: float
    effects: int = 0

    @property
    def killed(self) -> bool:
        """Whether it was killed before it had ended."""
        return self.status == -signal.SIGKILL


@dataclass(frozen=True, slots=True)
class Child:
    """A running child; ``streams``: the folder of its output."""

    process: int
    streams: Path
    started: float

    def kill_after(self, seconds: float) -> Ended:
        """Kill it and all its processes after ``seconds``."""
        time.sleep(seconds)
        kill(self.process)
        return self.wait()

    def wait(self) -> Ended:
        """Wait until it has ended."""
        _, status = os.waitpid(self.process, 0)
        seconds = time.monotonic() - self.started
        kill(self.process)
        out, err, effects = ((self.streams / name).read_text(errors="replace") if (self.streams / name).exists() else ""
                             for name in ("out", "err", "effects"))
        return Ended(out, err, os.waitstatus_to_exitcode(status), seconds, int(effects or 0))


def kill(group: int) -> None:
    """Kill what is left of the processes of a child."""
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def fork(args: Sequence[str], environment: Mapping[str, str], streams: Path, *, effect: int | None = None) -> Child:
    """Start a command line; it is killed at its effect of this number, counted from 0; a negative one only counts."""
    streams.mkdir(parents=True, exist_ok=True)
    for name in ("out", "err", "effects"):
        (streams / name).unlink(missing_ok=True)
    sys.stdout.flush()
    started = time.monotonic()
    process = os.fork()
    if process == 0:
        _be_child(partial(_command, args, streams, effect), environment, streams)
    # Both sides set it: the one that comes second finds it done.
    with suppress(PermissionError, ProcessLookupError):
        os.setpgid(process, process)
    return Child(process, streams, started)


def warm(args: Sequence[str], environment: Mapping[str, str]) -> None:
    """Run a command line in this process, so that it has imported what later children need."""
    before = dict(os.environ)
    os.environ.update(environment)
    with redirect_stdout(TextIOWrapper(BytesIO(), "utf-8")):
        status = run_command_line(args)
    os.environ.clear()
    os.environ.update(before)
    assert status in (0, 1), f"status {status} of {args}"


def _be_child(work: Callable[[], int], environment: Mapping[str, str], streams: Path) -> NoReturn:
    status = _FAULT
    try:
        os.setpgid(0, 0)
        os.environ.clear()
        os.environ.update(environment)
        sys.stdout, sys.stderr = _stream(1, streams / "out"), _stream(2, streams / "err")
        status = work()
        sys.stdout.flush()
    except BaseException as error:  # noqa: BLE001 - the parent sees the status and the message
        sys.stderr.write(repr(error))
    finally:
        # Without the parent's cleanup at exit.
        os._exit(status)


def _stream(descriptor: int, file: Path) -> TextIO:
    """Let a descriptor of this process write to a file, and return it as a stream of unbuffered lines."""
    opened = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND)
    os.dup2(opened, descriptor)
    os.close(opened)
    return os.fdopen(descriptor, "w", buffering=1, closefd=False)


def _command(args: Sequence[str], streams: Path, effect: int | None) -> int:
    if effect is None:
        return run_command_line(args)
    counter = _Counter(effect)
    sys.setprofile(counter)
    status = run_command_line(args)
    sys.setprofile(None)
    (streams / "effects").write_text(str(counter.met))
    return status


class _Counter:
    """Counts the effects of this thread, and kills the process at one of them."""

    def __init__(self, last: int) -> None:
        self.last, self.met = last, 0

    def __call__(self, frame: FrameType, event: str, function: Any) -> None:
        """Called by the interpreter before and after each call of a built-in function."""
        if event in ("c_call", "c_return") and function.__name__ in _CHANGING and not _reads(frame):
            if self.met == self.last:
                os.kill(os.getpid(), signal.SIGKILL)
            self.met += 1


def _reads(frame: FrameType) -> bool:
    return str(frame.f_locals.get("statement", "")).lstrip().upper().startswith(_READING)
