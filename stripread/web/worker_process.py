"""The inside of a worker: bound the memory, then answer one job after the other until the server is gone."""

from __future__ import annotations

import signal
import traceback
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection
from typing import Final

from shared.errors import InputError
from stripread.reading.bounds import bound_memory, is_out_of_memory

#: The first byte of an answer: what follows is the result, the five parts of an InputError, or a traceback.
DONE, REFUSED, FAULT = b"+", b"-", b"!"
_TOO_MUCH: Final = InputError("the picture takes too much memory to read", where="the photograph",
                              remedy="take it with the phone's ordinary camera setting")


def run(pipe: Connection, memory: int) -> None:
    """Serve until the other end closes."""
    # Ctrl-C reaches every process of the terminal; the server tells its workers when to go.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bound_memory(memory)
    import cv2

    from stripread.reading.decoder import decode_in_place
    from stripread.web.jobs import JOBS

    decode_in_place()

    cv2.setNumThreads(1)
    while True:
        try:
            job, given = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send_bytes(_answer(JOBS, job, given))


def _answer(jobs: Mapping[str, Callable[..., bytes]], job: str, given: Mapping[str, object]) -> bytes:
    try:
        return DONE + jobs[job](**given)
    except InputError as error:
        return _refused(_TOO_MUCH if is_out_of_memory(error) else error)
    except Exception as error:  # noqa: BLE001 - told to the server, which logs it
        if is_out_of_memory(error):
            return _refused(_TOO_MUCH)
        return FAULT + traceback.format_exc().encode()


def _refused(error: InputError) -> bytes:
    parts = (error.what, error.where, error.found, error.allowed, error.remedy)
    return REFUSED + "\0".join(p.replace("\0", " ") for p in parts).encode(errors="replace")
