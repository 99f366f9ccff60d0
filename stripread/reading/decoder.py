"""Photographs decoded in one child process within limits, so that a hostile picture ends the child and not the program.

The child is started when it is first needed, serves all photographs after that, and is replaced when it ends. Answers
are data that are parsed, never pickles. A process that is bounded itself decodes in place.
"""

from __future__ import annotations

import atexit
import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from threading import Lock
from typing import Final

import msgspec
import numpy as np

from shared.decoders import from_msgpack
from shared.errors import InputError, PhotoError
from stripread.reading.icc import Space
from stripread.reading.photo import SHOWN_PX, Photo, decode


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


#: The first byte of an answer: a photograph, whose pixels follow; a refusal; the traceback of a fault.
DECODED, REFUSED, FAULT = b"+", b"-", b"!"
#: Bytes that fit into a pipe: less waiting for one another than with the usual 64 KiB (Linux; ignored elsewhere).
_PIPE: Final = 2**20
_REMEDY: Final = "take the photograph again with the phone's ordinary camera setting"


class Header(msgspec.Struct, frozen=True, array_like=True):
    """A decoded photograph but for its name and pixels; fields as those of `Photo`, arrays of doubles as bytes."""

    shape: tuple[int, int, int]
    deep: bool
    shrink: float
    curves: bytes
    to_srgb: bytes
    sha256: str
    taken: str | None
    camera: str | None
    ignored: tuple[str, ...]
    coding_u: tuple[float, float, float]


class DecoderFault(RuntimeError):  # noqa: N818 - the program's, not the input's
    """A fault of the program in the child; the message is its traceback."""


class Decoder:
    """One child at most. It may be asked from several threads, one after the other."""

    def __init__(self, bounds: Bounds | None = None) -> None:
        self.bounds = bounds or Bounds()
        self._lock = Lock()
        self._child: _Child | None = None

    @property
    def process(self) -> int | None:
        """The id of the child, None while there is none."""
        return None if self._child is None else self._child.process

    def start(self) -> None:
        """Start the child ahead of its first photograph, so that both processes import their libraries at once."""
        with self._lock:
            self._started()

    def decode(self, data: bytes, where: str, least_px: int = SHOWN_PX) -> Photo:
        """As `stripread.reading.photo.decode`. Raises PhotoError also for what takes too much memory or time."""
        with self._lock:
            child = self._started()
            try:
                return child.decode(data, where, least_px)
            except (EOFError, OSError) as error:
                raise self._lost(child, where) from error
            except PhotoError:
                raise
            except BaseException:
                self._end(child)
                raise

    def end(self) -> None:
        """End the child; the next photograph starts another."""
        with self._lock:
            if self._child is not None:
                self._end(self._child)

    def _started(self) -> _Child:
        if self._child is None:
            self._child = _Child(self.bounds)
        return self._child

    def _lost(self, child: _Child, where: str) -> PhotoError:
        status = self._end(child)
        if status == -signal.SIGALRM:
            return PhotoError("the picture takes too long to decode", where=where,
                              allowed=f"{self.bounds.seconds:g} s", remedy=_REMEDY)
        return PhotoError("the picture takes too much memory to decode, or is damaged", where=where,
                          allowed=f"{self.bounds.memory / 2**30:g} GiB", remedy=_REMEDY)

    def _end(self, child: _Child) -> int:
        self._child = None
        return child.end()


class _Child:
    def __init__(self, bounds: Bounds) -> None:
        given = (str(bounds.memory), str(bounds.seconds))
        self._process = subprocess.Popen(  # noqa: S603 - this program itself
            [sys.executable, "-P", "-m", "stripread.reading.decoder_process", *given], stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            pipesize=_PIPE)
        assert self._process.stdin is not None  # noqa: S101 - as asked for
        assert self._process.stdout is not None  # noqa: S101 - as asked for
        self._in = Connection(os.dup(self._process.stdin.fileno()), readable=False)
        self._out = Connection(os.dup(self._process.stdout.fileno()), writable=False)
        self._process.stdin.close()
        self._process.stdout.close()
        self.process = self._process.pid

    def decode(self, data: bytes, where: str, least_px: int) -> Photo:
        """Raises EOFError or OSError where the child has ended. Names of files, which need not be text, stay here.

        The child gets the pixels that are needed at least, as a decimal number, then the bytes of the file.
        """
        self._in.send_bytes(b"%d" % least_px)
        self._in.send_bytes(data)
        answer = self._out.recv_bytes()
        kind, body = answer[:1], answer[1:]
        if kind == REFUSED:
            what, found, allowed, remedy = from_msgpack(body, tuple[str, str, str, str])
            raise PhotoError(what, where=where, found=found, allowed=allowed, remedy=remedy)
        if kind != DECODED:
            raise DecoderFault(body.decode(errors="replace"))
        return self._photo(from_msgpack(body, Header), Path(where).name)

    def _photo(self, header: Header, name: str) -> Photo:
        pixels = np.empty(header.shape, np.uint16 if header.deep else np.uint8)
        self._fill(pixels.data.cast("B"))
        space = Space(np.frombuffer(header.curves).reshape(256, 3), np.frombuffer(header.to_srgb).reshape(3, 3)) \
            if header.curves else None
        return Photo(name=name, pixels=pixels, shrink=header.shrink, space=space, sha256=header.sha256,
                     taken=header.taken, camera=header.camera, ignored=header.ignored,
                     coding_u=header.coding_u)

    def _fill(self, room: memoryview) -> None:
        """Read the pixels where they belong: a Connection would copy them twice."""
        while room:
            got = os.readv(self._out.fileno(), [room])
            if not got:
                raise EOFError
            room = room[got:]

    def end(self) -> int:
        """Make sure that it has ended; its status, negative: the signal that ended it."""
        self._in.close()
        self._out.close()
        try:
            return self._process.wait(0.1)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return self._process.wait()


def header_of(photo: Photo) -> Header:
    """A decoded photograph but for its name and pixels."""
    height, width, channels = photo.pixels.shape
    space = photo.space
    return Header(
        shape=(height, width, channels), deep=photo.pixels.dtype == np.uint16, shrink=photo.shrink,
        curves=b"" if space is None else np.ascontiguousarray(space.curves, np.float64).tobytes(),
        to_srgb=b"" if space is None else np.ascontiguousarray(space.to_srgb, np.float64).tobytes(),
        sha256=photo.sha256, taken=photo.taken, camera=photo.camera, ignored=photo.ignored,
        coding_u=photo.coding_u)


#: How this process decodes: its child, or None in place.
_here: list[Decoder | None] = [Decoder()]


def decode_in_place() -> None:
    """From now on this process decodes by itself: it is bounded, and replaced when it ends."""
    _here[0] = None


def start_early() -> None:
    """Start this process's child, if it decodes in one."""
    if _here[0] is not None:
        _here[0].start()


def decode_bounded(data: bytes, where: str, least_px: int = SHOWN_PX) -> Photo:
    """Decode the bytes of a photograph within bounds of memory and time. Raises PhotoError."""
    return decode(data, where, least_px) if _here[0] is None else _here[0].decode(data, where, least_px)


@atexit.register
def _end() -> None:
    if _here[0] is not None:
        _here[0].end()
