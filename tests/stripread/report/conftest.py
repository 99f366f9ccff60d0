"""One reading of a sample photograph, for everything that is drawn from it."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.reading.observe import observe
from stripread.reading.photo import Photo
from stripread.reading.photo_file import load_photo
from stripread.reading.read import to_reading
from stripread.reading.result import Reading
from stripread.report.document.model import Document, Section


@pytest.fixture(scope="session")
def photo(samples: Path) -> Photo:
    return load_photo(samples / "sites" / "mill-yard.jpg")


@pytest.fixture(scope="session")
def reading(photo: Photo, sample_chart: Chart, sample_profile: PrintProfile) -> Reading:
    return to_reading(photo, observe(photo, sample_chart.card, sample_chart.strip, [sample_profile]), sample_chart)


def words(part: Document | Section) -> str:
    """Everything that a report says."""
    return msgspec.json.encode(part).decode()
