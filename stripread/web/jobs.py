"""What workers do with photographs: each job takes plain values and returns bytes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import msgspec

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.reading.photo import PhotoFile, decode
from stripread.reading.read import read_file
from stripread.report.picture import eight_bit, encoded, reduced


def picture(*, data: bytes, longest: int) -> bytes:
    """The photograph as an upright JPEG of at most so many pixels a side, and nothing else of the file."""
    return encoded(reduced(eight_bit(decode(data, "the photograph")), longest))


def read(*, file: PhotoFile, chart: Chart, profiles: Sequence[PrintProfile]) -> bytes:
    """The reading of a photograph, as JSON."""
    return msgspec.json.encode(read_file(file, chart, profiles))


JOBS: Final[dict[str, Callable[..., bytes]]] = {"picture": picture, "read": read}
