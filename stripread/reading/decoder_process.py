"""The child that decodes: bounds itself, then answers one photograph after the other until its parent is gone."""

from __future__ import annotations

import os
import signal
import sys
import traceback
from multiprocessing.connection import Connection

import msgspec
import numpy as np

from shared.errors import InputError
from stripread.reading.decoder import bound_memory, end_this_process_after, is_out_of_memory


def main(memory: int, seconds: float) -> None:
    """Serve standard input until it closes."""
    # Ctrl-C reaches every process of the terminal; the parent decides when this one ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    asked, answers = Connection(os.dup(0), writable=False), Connection(os.dup(1), readable=False)
    # What native libraries print is not an answer.
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 0)
    os.dup2(nowhere, 1)
    bound_memory(memory)
    import cv2

    from stripread.reading import photo  # noqa: F401 - imported before the first photograph comes

    cv2.setNumThreads(1)
    while True:
        try:
            least_px, data = int(asked.recv_bytes()), asked.recv_bytes()
        except (EOFError, OSError):
            return
        end_this_process_after(seconds)
        _answer(answers, least_px, data)
        end_this_process_after(0.0)


def _answer(answers: Connection, least_px: int, data: bytes) -> None:
    from stripread.reading.decoder import DECODED, FAULT, REFUSED, header_of
    from stripread.reading.photo import decode

    try:
        photo = decode(data, "the photograph", least_px)
    except InputError as error:
        if is_out_of_memory(error):
            raise MemoryError from error  # ends this process, and so releases its memory
        parts = (error.what, error.found, error.allowed, error.remedy)
        answers.send_bytes(REFUSED + msgspec.msgpack.encode(parts))
    except Exception as error:
        if is_out_of_memory(error):
            raise
        answers.send_bytes(FAULT + traceback.format_exc().encode())
    else:
        answers.send_bytes(DECODED + msgspec.msgpack.encode(header_of(photo)))
        _send(answers.fileno(), np.ascontiguousarray(photo.pixels).data.cast("B"))


def _send(pipe: int, pixels: memoryview) -> None:
    """Write all bytes without a header: the parent knows how many come."""
    while pixels:
        pixels = pixels[os.write(pipe, pixels):]


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]))
