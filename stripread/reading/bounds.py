"""Limits of a process that decodes untrusted pictures: memory, time, and the errors of an excess."""

from __future__ import annotations

import signal
from dataclasses import dataclass

from shared.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """``memory``: bytes of data that a process may have. ``seconds``: time limit of one task."""

    memory: int = 2**30
    seconds: float = 30.0


def bound_memory(memory: int) -> None:
    """Bound this process's data to ``memory`` bytes; libraries that it maps are not counted."""
    try:
        import resource
    except ModuleNotFoundError:  # not on Windows; memory is not bounded there
        return
    resource.setrlimit(resource.RLIMIT_DATA, (memory, memory))
    # A process that fails must not fill the disk with its memory image.
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def end_this_process_after(seconds: float) -> None:
    """Let the system end this process unless this is called again in time; 0: no longer.

    No handler is involved: native code that never returns to Python is ended too.
    """
    if hasattr(signal, "setitimer"):  # not on Windows; time is not bounded there
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, seconds)


def is_out_of_memory(error: Exception) -> bool:
    """Whether an exception means that memory ran out, as Python, OpenCV and Pillow report it."""
    text = (error.found if isinstance(error, InputError) else str(error)).lower()
    return isinstance(error, MemoryError) or "failed to allocate" in text or "insufficient memory" in text
