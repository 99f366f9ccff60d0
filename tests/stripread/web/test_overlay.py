"""The overlay lies on the same pads wherever it is drawn: on the page, in the web report, in the command line's PNG."""

from __future__ import annotations

import base64
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from stripread.reading.photo_file import load_photo
from stripread.reading.result import Reading
from stripread.report.overlay import write_overlay
from stripread.report.picture import Pixels
from stripread.store.models.evidence import StoredReading
from tests.loops import some
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, POINT, Browser, Served

#: Half the side of what is compared around a pad, and how far it may lie elsewhere: a pixel of the reduced picture.
_AROUND, _OFF = 60, 2


@pytest.fixture(scope="module")
def photo(samples: Path) -> Path:
    """Larger than any page shows it, so that each picture of it is reduced."""
    return samples / "sites" / "mill-yard.jpg"


@pytest.fixture(scope="module")
def stored(bench: Served, technician: Browser, photo: Path) -> StoredReading:
    data = phone_photo(photo, taken="2031:05:04 09:30:40").data
    answer = technician.send("POST", "/take/original", params={"batch": BATCH, "point": POINT}, content=data)
    (reading,) = re.findall(r'data-reading="([^"]+)"', answer.text)
    return bench.store.get(StoredReading, reading)


@pytest.fixture(scope="module")
def drawn(photo: Path, stored: StoredReading, tmp_path_factory: pytest.TempPathFactory) -> Pixels:
    """What `stripread read --overlay` writes."""
    path = tmp_path_factory.mktemp("overlay") / "overlay.png"
    write_overlay(load_photo(photo), stored.reading, path=path)
    return decoded(path.read_bytes())


def decoded(data: bytes) -> Pixels:
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert pixels is not None
    return pixels.astype(np.uint8)


def offsets(reading: Reading, here: Pixels, there: Pixels) -> list[tuple[int, int]]:
    """For each pad, how far the best match of its surroundings, overlay included, lies from where they should be."""
    assert reading.pads
    found = []
    for pad in reading.pads:
        x, y = (round(c) - _AROUND for c in pad.px)
        patch = here[y : y + 2 * _AROUND, x : x + 2 * _AROUND]
        _, _, _, (left, top) = cv2.minMaxLoc(cv2.matchTemplate(there, patch, cv2.TM_CCOEFF_NORMED))
        found.append((left - x, top - y))
    return found


def test_the_report_draws_where_the_command_line_draws(reviewer: Browser, stored: StoredReading,
                                                       drawn: Pixels) -> None:
    report = reviewer.post(f"/readings/{stored.id}/report", form="page").text
    uris = re.findall(r'src="data:image/jpeg;base64,([^"]+)"', report)
    small = decoded(base64.b64decode(uris[1]))
    assert small.shape[1] < drawn.shape[1]
    large = cv2.resize(small, drawn.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    assert max(map(abs, np.ravel(offsets(stored.reading, drawn, large.astype(np.uint8))))) <= _OFF


def test_the_page_draws_where_the_command_line_draws(technician: Browser, stored: StoredReading, photo: Path,
                                                     drawn: Pixels) -> None:
    """Every corner of the outlines of card and pads, turned back with the picture, lies on a line of the PNG."""
    page, plain = technician.get(f"/readings/{stored.id}").text, decoded(photo.read_bytes())
    picture = decoded(technician.get(f"/readings/{stored.id}/picture").content)
    width, height, turn, x0, y0 = map(float, re.findall(
        r'/picture" width="([^"]+)" height="([^"]+)" transform="rotate\((\S+) (\S+) (\S+)\)"', page)[0])
    assert picture.shape[1] / picture.shape[0] == pytest.approx(width / height, rel=1e-3)
    changed = (drawn[: plain.shape[0]] != plain).any(axis=2)
    # Corners are whole pixels.
    near = cv2.dilate(changed.astype(np.uint8), np.ones((5, 5), np.uint8))
    (path,) = re.findall(r'<path class="k" d="([^"]+)"', page)
    turned = np.array([(float(x), float(y)) for x, y in re.findall(r"[ML](\S+?) (\d+)", path)]) - (x0, y0)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    points = (turned @ np.array([[c, -s], [s, c]]) + (x0, y0)) * plain.shape[1] / width
    assert len(points) == 4 + 4 * len(stored.reading.pads)
    assert all(near[int(y), int(x)] for x, y in some(points))
