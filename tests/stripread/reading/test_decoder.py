"""Decoding in a child with bounds: hostile pictures end the child, the next photograph is decoded, nothing changes."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from shared.errors import PhotoError
from stripread.reading.decoder import Bounds, Decoder
from stripread.reading.photo import MEASURED_PX, WHOLE_PX, decode
from tests.hostile import metadata, pictures
from tests.loops import some


@pytest.fixture
def decoder() -> Iterator[Decoder]:
    made = Decoder(Bounds(seconds=2.0))
    yield made
    made.end()


@pytest.mark.parametrize("kind", pictures.FORMATS)
def test_the_same_photograph_as_in_place(decoder: Decoder, kind: str) -> None:
    """Pixels and everything that is known of them, of each format, 8 and 16 bit, shrunk or whole."""
    for data in some(pictures.sound(kind)):
        for least_px in (MEASURED_PX, WHOLE_PX):
            there, here = (f(data, "a/b\udcff.x", least_px) for f in (decoder.decode, decode))
            assert np.array_equal(there.pixels, here.pixels)
            assert there.pixels.dtype == here.pixels.dtype
            assert there.pixels.flags.writeable
            assert (there.name, there.shrink, there.sha256, there.taken, there.camera, there.ignored) == (
                here.name, here.shrink, here.sha256, here.taken, here.camera, here.ignored)
            assert (there.space is None) == (here.space is None)
            if there.space is not None and here.space is not None:
                assert np.array_equal(there.space.curves, here.space.curves)
                assert np.array_equal(there.space.to_srgb, here.space.to_srgb)


def test_one_child_serves_all(decoder: Decoder) -> None:
    data = pictures.sound("JPEG")[0]
    decoder.decode(data, "a.jpg")
    first = decoder._child
    with pytest.raises(PhotoError, match=r"in/folder\.jpg: the file is empty"):
        decoder.decode(b"", "in/folder.jpg")
    decoder.decode(data, "a.jpg")
    assert decoder._child is first


def test_scans_without_end_take_bounded_time(decoder: Decoder) -> None:
    """A progressive JPEG of a hundred kilobytes whose decoding takes minutes ends the child; then the next one."""
    decoder.decode(pictures.sound("JPEG")[0], "a.jpg")
    first = decoder._child
    with pytest.raises(PhotoError, match="too long"):
        decoder.decode(metadata.scan_after_scan(), "scans.jpg", WHOLE_PX)
    assert decoder.decode(pictures.sound("JPEG")[0], "a.jpg").pixels.size
    assert decoder._child is not first


def test_chained_directories_are_refused_at_once(decoder: Decoder) -> None:
    """Two hundred thousand directories: the second is enough to refuse it, long before the child's limit ends it."""
    with pytest.raises(PhotoError, match="more than one frame"):
        decoder.decode(metadata.chained_tiff(), "chained.tiff")


def test_memory_is_bounded(tmp_path: Path) -> None:
    """64 megapixels in a child that may use 300 MB; then the next photograph."""
    import cv2

    _, large = cv2.imencode(".png", np.zeros((8000, 8000, 3), np.uint8), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    decoder = Decoder(Bounds(memory=300 * 2**20))
    try:
        with pytest.raises(PhotoError, match="too much memory"):
            decoder.decode(large.tobytes(), str(tmp_path / "large.png"), WHOLE_PX)
        assert decoder.decode(pictures.sound("PNG")[0], "a.png").pixels.size
    finally:
        decoder.end()


def test_a_child_that_dies_is_replaced(decoder: Decoder) -> None:
    decoder.start()
    assert decoder._child is not None
    os.kill(decoder._child._process.pid, signal.SIGKILL)
    with pytest.raises(PhotoError):
        decoder.decode(pictures.sound("JPEG")[0], "a.jpg")
    assert decoder.decode(pictures.sound("JPEG")[0], "a.jpg").pixels.size
