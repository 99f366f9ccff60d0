"""What workers do with photographs: each job takes plain values and returns bytes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import msgspec

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.intake import process, receive
from stripread.reading.photo import PhotoFile
from stripread.reading.read import read_file
from stripread.reading.result import Quad, Reading
from stripread.report import evidence, picture
from stripread.web.thumbnails import PICTURE_PX, PhotoThumbnails


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
    """The photograph with and without a reading's overlay, for a report."""
    return msgspec.msgpack.encode(evidence.plain_and_drawn(data=data, reading=reading, longest=longest))


def look(*, file: PhotoFile, for_label: bool) -> bytes:
    """A look into a photograph, as JSON."""
    return msgspec.json.encode(receive.inspect_photo(file, for_label=for_label))


def read(*, file: PhotoFile, chart: Chart, profiles: Sequence[PrintProfile]) -> bytes:
    """The reading of a photograph, as JSON."""
    return msgspec.json.encode(read_file(file, chart, profiles))


def read_and_judge(*, batch: process.BatchContext, job: process.ReadJob) -> bytes:
    """The reading of a photograph and what it means, as JSON."""
    return msgspec.json.encode(process.read_and_judge(batch, job))


JOBS: Final[dict[str, Callable[..., bytes]]] = {f.__name__: f for f in (views, draw, look, read, read_and_judge)}
