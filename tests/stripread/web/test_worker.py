"""Pictures made to harm: each is refused with its reason, and the next picture is read as if nothing had been."""

from __future__ import annotations

import io
import os
import signal
import struct
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from threading import Thread

import cv2
import msgspec
import numpy as np
import pytest
from PIL import Image

from shared.errors import PhotoError
from stripread.web.refusals import HTTPRefusal
from stripread.web.worker import PriorityPool, WorkerFault, WorkerLimits, Workers
from stripread.web.worker_process import PICTURE_PX, PhotoThumbnails, views


def picture(pool: Workers, data: bytes) -> bytes:
    """The photograph as a page shows it."""
    return msgspec.msgpack.decode(pool.do(views, data=data, pads={}), type=PhotoThumbnails).picture


@pytest.fixture(scope="module")
def good(samples: Path) -> bytes:
    return (samples / "sites" / "mill-yard.jpg").read_bytes()


def chunk(kind: bytes, body: bytes) -> bytes:
    """A chunk of a PNG (ISO/IEC 15948, 5.3)."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int, height: int, body: bytes, *extra: bytes) -> bytes:
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + b"".join((chunk(b"IHDR", header), *extra, chunk(b"IDAT", body), chunk(b"IEND", b"")))


def bomb(_good: bytes) -> bytes:
    """81 million black pixels in 240 kB."""
    return png(9000, 9000, zlib.compress(b"\0" * 27_001 * 9000))


def more_than_said(_good: bytes) -> bytes:
    """A small header, and a hundred times as many rows."""
    return png(1000, 1000, zlib.compress(b"\0" * 3001 * 100_000))


def huge_text(_good: bytes) -> bytes:
    """A comment that unpacks to 300 MB (a bomb next to the picture)."""
    text = chunk(b"zTXt", b"a\0\0" + zlib.compress(b"x" * 300_000_000))
    return png(1000, 1000, zlib.compress(b"\0" * 3001 * 1000), text)


def huge_frame(good: bytes) -> bytes:
    """A JPEG whose frame header says 65,500 x 65,500."""
    at = good.index(b"\xff\xc0") if b"\xff\xc0" in good else good.index(b"\xff\xc2")
    return good[: at + 5] + struct.pack(">HH", 65_500, 65_500) + good[at + 9:]


def cut(good: bytes) -> bytes:
    return good[: len(good) // 2]


def page_inside(_good: bytes) -> bytes:
    """A page that begins as a picture does."""
    return b"\xff\xd8\xff\xe0<html><script>alert(1)</script></html>" * 100


def vector(_good: bytes) -> bytes:
    return b"<svg xmlns='http://www.w3.org/2000/svg' width='1000' height='1000'><script>alert(1)</script></svg>"


def animated(_good: bytes) -> bytes:
    frames = [Image.new("RGB", (600, 600), (i, 0, 0)) for i in range(3)]
    out = io.BytesIO()
    frames[0].save(out, "PNG", save_all=True, append_images=frames[1:])
    return out.getvalue()


@pytest.mark.parametrize("hostile", [bomb, huge_frame, cut, page_inside, vector, animated])
def test_a_hostile_picture_is_refused(hostile: Callable[[bytes], bytes], good: bytes, workers: Workers) -> None:
    with pytest.raises(PhotoError):
        picture(workers, hostile(good))
    assert picture(workers, good)[:3] == b"\xff\xd8\xff"


@pytest.mark.parametrize("odd", [more_than_said, huge_text])
def test_data_appended_to_a_picture_do_no_harm(odd: Callable[[bytes], bytes], good: bytes, workers: Workers) -> None:
    """Such a file may be decoded or refused; either way soon, and the next one is read."""
    try:
        picture(workers, odd(good))
    except PhotoError as error:
        assert error.remedy  # noqa: PT017 - it need not be refused
        assert "too long" not in error.what  # noqa: PT017
    assert picture(workers, good)[:3] == b"\xff\xd8\xff"


def test_only_pixels_of_a_file_are_served(good: bytes, workers: Workers) -> None:
    """Position (GPS), camera and comment are in the original and not in the picture made from it (Exif 2.32)."""
    exif = Image.Exif()
    exif[0x010F] = "A Camera Of Ours"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (47.0, 3.0, 14.0)
    out = io.BytesIO()
    Image.open(io.BytesIO(good)).save(out, "JPEG", exif=exif, comment=b"a comment of ours")
    original = Image.open(io.BytesIO(out.getvalue()))
    assert original.getexif().get_ifd(0x8825)[1] == "N"
    made = Image.open(io.BytesIO(picture(workers, out.getvalue())))
    assert max(made.size) == PICTURE_PX
    assert not made.getexif()
    assert not {"exif", "comment", "icc_profile"} & made.info.keys()


def test_bounds_of_memory_and_time(good: bytes) -> None:
    """64 megapixels need more than 350 MB of data (measured); under the usual bounds they are decoded."""
    _, large = cv2.imencode(".png", np.zeros((8000, 8000, 3), np.uint8), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    small = Workers(1, WorkerLimits(memory=350 * 2**20))
    hurried = Workers(1, WorkerLimits(seconds=0.01))
    try:
        with pytest.raises(PhotoError, match="too much"):
            picture(small, large.tobytes())
        assert picture(small, good)
        with pytest.raises(PhotoError, match="too long"):
            picture(hurried, large.tobytes())
    finally:
        small.end()
        hurried.end()


def test_a_process_that_dies_is_replaced(good: bytes) -> None:
    pool = Workers(1)
    try:
        process = pool._quick._free[0]._process
        os.kill(process.pid or 0, signal.SIGKILL)
        with pytest.raises(PhotoError):
            picture(pool, good)
        assert picture(pool, good)
        assert pool._quick._free[0]._process.pid != process.pid
    finally:
        pool.end()


def test_an_internal_error_is_not_reported_as_a_damaged_picture(workers: Workers) -> None:
    with pytest.raises(WorkerFault, match="TypeError"):
        workers.do(views, unknown=1)


def test_waiting_for_a_process_ends(good: bytes) -> None:
    pool = Workers(1, WorkerLimits(patience_s=0.05))
    taken = pool._quick.take(0, 1, 1)
    try:
        with pytest.raises(HTTPRefusal, match="503"):
            picture(pool, good)
    finally:
        pool._quick.give(taken)
    assert picture(pool, good)
    pool.end()


def test_the_urgent_go_first_and_the_queue_is_bounded() -> None:
    """Five who wait for one thing: by urgency, then in the order in which they came; a sixth is sent away."""
    turns, order = PriorityPool(["it"]), []
    it = turns.take(0, 1, 5)

    def wait(urgency: int, name: str) -> None:
        thing = turns.take(urgency, 10, 5)
        order.append(name)
        turns.give(thing)

    threads = []
    for number, (urgency, name) in enumerate([(2, "c"), (1, "b"), (2, "d"), (0, "a"), (2, "e")]):
        threads.append(Thread(target=wait, args=(urgency, name)))
        threads[-1].start()
        while len(turns._waiting) <= number:
            time.sleep(0.001)
    with pytest.raises(HTTPRefusal, match="503"):
        turns.take(0, 10, 5)
    turns.give(it)
    for thread in threads:
        thread.join(10)
    assert order == ["a", "b", "c", "d", "e"]
