"""Labels: written by segno, read by OpenCV, through all a camera does to them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibration.label import Label, label_text, read_label
from stripread.reading.label import decode_label
from stripread.report.standards import code

NAMES = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-", min_size=1, max_size=40)
Image = NDArray[np.uint8]


def printed(label: Label, *, module_px: int = 8) -> Image:
    """The label's code in grey, four modules of white around it."""
    dark = np.array(tuple(code(label).matrix_iter(scale=module_px, border=4)), dtype=bool)
    return np.where(dark, 30, 225).astype(np.uint8)


@given(NAMES, NAMES)
def test_text_comes_back(standard: str, batch: str) -> None:
    assert read_label(label_text(Label(standard, batch))) == Label(standard, batch)


@pytest.mark.parametrize("text", ["", "https://example.org", "standard:;batch:x", "standard:H04", "batch:x", "a:b;c:d"])
def test_another_code_is_no_label(text: str) -> None:
    assert read_label(text) is None


@pytest.mark.parametrize("label", [Label("H04", "demo-24"), Label("A10", "B"), Label("C" * 20, "batch_of-2031.7-x")])
def test_a_code_comes_back(label: Label) -> None:
    assert decode_label(printed(label)) == label


def photographed(picture: Image, label: Image, *, at: tuple[int, int], side: float, turned: float) -> Image:
    """The label lying in a photograph, ``side`` px wide, turned, tilted, and a little soft (sigma 0.8 px)."""
    n = label.shape[0]
    angle = np.radians(turned)
    corners = np.array([[-1, -1], [1, -1.06], [0.96, 1], [-1.02, 0.97]]) * side / 2
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    to = (corners @ turn.T + at).astype(np.float32)
    h = cv2.getPerspectiveTransform(np.array([[0, 0], [n, 0], [n, n], [0, n]], np.float32), to)
    size = (picture.shape[1], picture.shape[0])
    soft = cv2.GaussianBlur(cv2.warpPerspective(label, h, size, flags=cv2.INTER_AREA), (0, 0), 0.8)
    mask = cv2.warpPerspective(np.full_like(label, 255), h, size)[..., None] > 127
    return np.where(mask, soft[..., None] * np.array([0.85, 0.95, 1.0]), picture).astype(np.uint8)


@pytest.mark.parametrize(("turned", "quality"), [(0, 90), (17, 60), (90, 80), (200, 60), (271, 40)])
def test_a_label_beside_the_card(samples: Path, turned: float, quality: int) -> None:
    """In a rendered photograph, under warm light, as a JPEG; the 150 px are 30 mm where the card is 5 px/mm."""
    picture = cv2.imread(str(samples / "standards" / "H04-window.jpg"))
    assert picture is not None
    there = photographed(picture.astype(np.uint8), printed(Label("H04", "demo-24")), at=(105, 105), side=150,
                         turned=turned)
    coded = cv2.imencode(".jpg", there, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    seen = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    assert seen is not None
    assert decode_label(seen.astype(np.uint8)) == Label("H04", "demo-24")


def test_photographs_without_a_label_have_none(samples: Path) -> None:
    """The card's own markers are no labels."""
    for path in sorted((samples / "sites").glob("*.jpg"))[:4]:
        picture = cv2.imread(str(path))
        assert picture is not None
        assert decode_label(picture.astype(np.uint8)) is None, path.name


def test_a_large_photograph() -> None:
    """12 million pixels of noise with a label of 400 px."""
    rng = np.random.default_rng(18004)
    picture = rng.integers(90, 160, (3000, 4000, 3), dtype=np.uint8)
    there = photographed(picture, printed(Label("P01", "demo-24")), at=(3500, 2600), side=400, turned=30)
    assert decode_label(there) == Label("P01", "demo-24")
