"""Labels: written by segno, read by OpenCV, through all a camera does to them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.labels import Label, label_text, read_label
from stripread.reading.label import labels_in
from tests.labels import photographed, printed

NAMES = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-", min_size=1, max_size=40)


@given(NAMES, NAMES)
def test_text_survives_a_round_trip(standard: str, batch: str) -> None:
    assert read_label(label_text(Label(standard, batch))) == Label(standard, batch)


@pytest.mark.parametrize("text", ["", "https://example.org", "standard:;batch:x", "standard:H04", "batch:x", "a:b;c:d"])
def test_another_code_is_not_a_label(text: str) -> None:
    assert read_label(text) is None


@pytest.mark.parametrize("label", [Label("H04", "demo-24"), Label("A10", "B"), Label("C" * 20, "batch_of-2031.7-x")])
def test_a_code_survives_a_round_trip(label: Label) -> None:
    assert labels_in(printed(label)) == (label,)


@pytest.mark.parametrize(("turned", "quality"), [(0, 90), (17, 60), (90, 80), (200, 60), (271, 40)])
def test_a_label_next_to_the_card(samples: Path, turned: float, quality: int) -> None:
    """In a rendered photograph, under warm light, as a JPEG; the 150 px are 30 mm where the card is 5 px/mm."""
    picture = cv2.imread(str(samples / "standards" / "H04-window.jpg"))
    assert picture is not None
    there = photographed(picture.astype(np.uint8), printed(Label("H04", "demo-24")), at=(105, 105), side=150,
                         turned=turned)
    coded = cv2.imencode(".jpg", there, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    seen = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    assert seen is not None
    assert labels_in(seen.astype(np.uint8)) == (Label("H04", "demo-24"),)


def test_photographs_without_a_label_have_none(samples: Path) -> None:
    """The card's own markers are not labels."""
    photographs = sorted((samples / "sites").glob("*.jpg"))[:4]
    assert len(photographs) == 4
    for path in photographs:
        picture = cv2.imread(str(path))
        assert picture is not None
        assert labels_in(picture.astype(np.uint8)) == (), path.name


def test_a_large_photograph() -> None:
    """12 million pixels of noise with a label of 400 px."""
    rng = np.random.default_rng(18004)
    picture = rng.integers(90, 160, (3000, 4000, 3), dtype=np.uint8)
    there = photographed(picture, printed(Label("P01", "demo-24")), at=(3500, 2600), side=400, turned=30)
    assert labels_in(there) == (Label("P01", "demo-24"),)
