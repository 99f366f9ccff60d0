"""The reader on the samples' chart, and the good photograph that faults are made from."""

from pathlib import Path

import pytest

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.reading.observe import Observation
from stripread.reading.patches import CardColours, card_colours
from stripread.reading.result import Reading
from tests.photographs import Picture, picture
from tests.reader import Reader
from tests.synthetic import CARD


@pytest.fixture(scope="session")
def reader(sample_chart: Chart, sample_profile: PrintProfile) -> Reader:
    return Reader(sample_chart, (sample_profile,))


@pytest.fixture(scope="session")
def good_file(samples: Path) -> Path:
    """A check standard under window light with nothing wrong; every value lies well inside its range."""
    return samples / "standards" / "C02-window.jpg"


@pytest.fixture(scope="session")
def good(good_file: Path) -> Picture:
    return picture(good_file)


@pytest.fixture(scope="session")
def good_reading(reader: Reader, good: Picture) -> Reading:
    reading = reader.read(good)
    assert reading.status == "measured"
    assert not reading.flags
    return reading


@pytest.fixture(scope="session")
def good_seen(reader: Reader, good: Picture) -> Observation:
    return reader.observe(good)


@pytest.fixture(scope="session")
def colours(sample_profile: PrintProfile) -> CardColours:
    return card_colours(sample_profile, CARD)
