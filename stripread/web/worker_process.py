"""Worker process: limits its memory, then runs jobs until the server ends."""

from __future__ import annotations

import signal
import traceback
from collections.abc import Callable, Mapping, Sequence
from multiprocessing.connection import Connection
from typing import Any, Final

import msgspec

from calibration.chart import Chart
from shared.card import CardLayout
from shared.errors import InputError
from shared.profile import PrintProfile
from stripread.intake import card_inspections, receive, standards
from stripread.reading.decoder import bound_memory, is_out_of_memory
from stripread.reading.photo_file import PhotoFile
from stripread.reading.read import read_file
from stripread.reading.result import Quad, Reading
from stripread.report import evidence, picture
from stripread.review.batch_calibration import FitOrder, fit_order

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


def look_for_label(*, file: PhotoFile) -> bytes:
    """Return the hash, time, camera and labels of a photograph of a standard, as JSON."""
    return msgspec.json.encode(standards.inspect_standard(file))


def inspect_card(*, file: PhotoFile, card: CardLayout, profiles: Sequence[PrintProfile]) -> bytes:
    """Return the check of a card by a photograph, as JSON."""
    return msgspec.json.encode(card_inspections.inspect(file, card, profiles))


def fit(*, order: FitOrder, report: Callable[[bytes], None]) -> bytes:
    """Return the chart fitted to a folder of standards, as JSON; report how many photographs are observed."""
    chart = fit_order(order, lambda done, total: report(msgspec.json.encode((done, total))))
    return msgspec.json.encode(chart)


def evaluate(*, work: Callable[[Any, Any], object], given: object, job: object) -> bytes:
    """Return the result of an evaluation, as JSON."""
    return msgspec.json.encode(work(given, job))


#: First byte of a response: a result, the five parts of an InputError, or a traceback follows. Before them a long job
#: may send steps of its progress.
DONE, REFUSED, FAULT, STEP = b"+", b"-", b"!", b"."
#: Jobs that report their progress.
_LONG: Final = frozenset({fit})
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
        if job in _LONG:
            given["report"] = lambda body: pipe.send_bytes(STEP + body)
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
