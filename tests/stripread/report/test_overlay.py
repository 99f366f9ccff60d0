"""What is drawn over a photograph is at the positions of the reading and can be seen on any background."""

from __future__ import annotations

from pathlib import Path

import cv2
import msgspec
import numpy as np
import pytest

from shared.colour import srgb_decode
from shared.errors import FileError
from stripread.reading.photo import Photo
from stripread.reading.result import Reading
from stripread.report.overlay import HALO, STYLES, Kind, draw_overlay, marks, pad_labels, write_overlay
from stripread.report.picture import eight_bit
from tests.loops import some


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` (WCAG 2.2)."""
    linear = srgb_decode(np.frombuffer(bytes.fromhex(colour[1:]), np.uint8) / 255)
    return float(linear @ (0.2126, 0.7152, 0.0722))


@pytest.mark.parametrize("kind", STYLES)
def test_every_line_contrasts_with_its_halo(kind: Kind) -> None:
    """Line and halo differ by 4.5:1, above the 3:1 of WCAG 2.2, 1.4.11: one of them shows on any background."""
    assert (luminance(STYLES[kind].colour) + 0.05) / (luminance(HALO) + 0.05) >= 4.5


def test_lines_lie_on_the_card_and_nothing_else_is_touched(photo: Photo, reading: Reading) -> None:
    drawn, plain = draw_overlay(photo, reading), eight_bit(photo)
    changed = (drawn[: plain.shape[0]] != plain).any(axis=2)
    assert reading.card is not None
    for x, y in some(reading.card.corners_px):
        row, column = int(y / photo.shrink), int(x / photo.shrink)
        assert changed[row - 2 : row + 3, column - 2 : column + 3].all()
    hull = np.zeros(changed.shape, np.uint8)
    cv2.fillPoly(hull, [np.round(np.array(reading.card.corners_px) / photo.shrink).astype(np.int32)], 1)
    assert not changed[cv2.dilate(hull, np.ones((15, 15), np.uint8)) == 0].any()


def test_the_caption_is_added_below_the_picture(photo: Photo, reading: Reading) -> None:
    drawn = draw_overlay(photo, reading)
    assert drawn.shape[0] > photo.pixels.shape[0]
    assert drawn.shape[1] == photo.pixels.shape[1]


def test_each_detected_item_is_drawn_once(reading: Reading) -> None:
    kinds = [m.kind for m in marks(reading)]
    left_out = sum(bool(p.left_out) for p in reading.patches)
    assert kinds.count("card") == kinds.count("axis") == 1
    assert kinds.count("left-out") == left_out
    assert kinds.count("used") == len(reading.patches) - left_out
    assert kinds.count("pad") + kinds.count("no-result") == len(reading.pads)


def test_labels_are_next_to_their_pads_not_on_them(reading: Reading) -> None:
    for label, pad in zip(some(pad_labels(reading)), reading.pads, strict=True):
        outline = np.array(pad.outline_px, np.float32)
        inside = cv2.pointPolygonTest(outline, label.at, measureDist=True)
        assert inside < -label.size / 2


def test_a_refused_reading_without_card_is_drawn_too(photo: Photo, reading: Reading) -> None:
    nothing = msgspec.structs.replace(reading, status="no-result", reason="No card.", card=None, strip=None, patches=(),
                                      pads=())
    drawn = draw_overlay(photo, nothing)
    assert np.array_equal(drawn[: photo.pixels.shape[0]], eight_bit(photo))


def test_a_place_that_cannot_be_written_is_reported(photo: Photo, reading: Reading, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="the file cannot be written"):
        write_overlay(photo, reading, path=tmp_path / "file" / "x.png")
