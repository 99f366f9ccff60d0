"""Worker process: limits its memory, then runs jobs until the server ends."""

from __future__ import annotations

import signal
import traceback
from collections.abc import Callable, Mapping, Sequence
from multiprocessing.connection import Connection
from typing import Any, Final

import msgspec

from calibration.chart import Chart
from shared.errors import InputError
from shared.profile import PrintProfile
from stripread.intake import receive
from stripread.reading.bounds import bound_memory, is_out_of_memory
from stripread.reading.photo_file import PhotoFile
from stripread.reading.read import read_file
from stripread.reading.result import Quad, Reading
from stripread.report import evidence, picture

#: Longest side of the picture on a page, pixels.
PICTURE_PX: Final = 1400


class PhotoThumbnails(msgspec.Struct, frozen=True, kw_only=True):
    """``width`` and ``height`` of the upright original in pixels, for drawing over the ``picture`` (JPEG).

    ``pads``: by analyte, each as a JPEG.
    """

    width: float
    height: float
    picture: bytes
    pads: dict[str, bytes]


def views(*, data: bytes, pads: dict[str, Quad]) -> bytes:
    """The photograph small, and its pads seen from above, as JPEGs that say nothing but their pixels."""
    photo = PhotoFile("the photograph", data).decode()
    pixels = picture.eight_bit(photo)
    height, width = pixels.shape[:2]
    return msgspec.msgpack.encode(PhotoThumbnails(
        width=width * photo.shrink, height=height * photo.shrink,
        picture=picture.encoded(picture.reduced(pixels, PICTURE_PX)),
        pads={analyte: picture.encoded(picture.from_above(photo, outline)) for analyte, outline in pads.items()}))


def draw(*, data: bytes, reading: Reading, longest: int) -> bytes:
    """Return the photograph with and without a reading's overlay, for a report."""
    return msgspec.msgpack.encode(evidence.plain_and_drawn(data=data, reading=reading, longest=longest))


def look(*, file: PhotoFile, for_label: bool) -> bytes:
    """Return the inspection of a photograph, as JSON."""
    return msgspec.json.encode(receive.inspect_photo(file, for_label=for_label))


def read(*, file: PhotoFile, chart: Chart, profiles: Sequence[PrintProfile]) -> bytes:
    """Return the reading of a photograph, as JSON."""
    return msgspec.json.encode(read_file(file, chart, profiles))


def evaluate(*, work: Callable[[Any, Any], object], given: object, job: object) -> bytes:
    """Return the result of an evaluation, as JSON."""
    return msgspec.json.encode(work(given, job))


#: First byte of a response: a result, the five parts of an InputError, or a traceback follows.
DONE, REFUSED, FAULT = b"+", b"-", b"!"
_TOO_MUCH: Final = InputError("the photograph needs too much memory", where="the photograph",
                              remedy="retake it with the phone's standard camera settings")


def run(pipe: Connection, memory: int) -> None:
    """Run jobs until the connection closes."""
    # Ctrl-C reaches every process of the terminal; the server stops its workers itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bound_memory(memory)
    import cv2

    from stripread.reading.decoder import decode_in_place

    decode_in_place()

    cv2.setNumThreads(1)
    while True:
        try:
            job, given = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send_bytes(_answer(job, given))


def _answer(job: Callable[..., bytes], given: Mapping[str, object]) -> bytes:
    try:
        return DONE + job(**given)
    except InputError as error:
        return _refused(_TOO_MUCH if is_out_of_memory(error) else error)
    except Exception as error:  # noqa: BLE001 - reported to the server, which logs it
        if is_out_of_memory(error):
            return _refused(_TOO_MUCH)
        return FAULT + traceback.format_exc().encode()


def _refused(error: InputError) -> bytes:
    parts = (error.what, error.where, error.found, error.allowed, error.remedy)
    return REFUSED + "\0".join(p.replace("\0", " ") for p in parts).encode(errors="replace")
