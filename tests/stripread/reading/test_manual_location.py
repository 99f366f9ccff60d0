"""Card and pads placed by hand, where markers are hidden or the strip's end is covered."""

import numpy as np
import pytest

from shared.errors import InputError
from shared.strip import default_strip
from stripread.reading.manual_location import corners_from_text, pads_from_text, points_of
from stripread.reading.observe import observe
from stripread.reading.photo import decode
from stripread.reading.read import to_reading
from stripread.reading.result import ManualLocation, Reading
from tests.photographs import CARD, Picture, file_of
from tests.reader import Reader, shifts

SKIN = (205, 150, 125)


def read_by_hand(reader: Reader, scene: Picture, hand: ManualLocation) -> Reading:
    photo = decode(file_of(scene.pixels, "PNG"), "made.png")
    seen = observe(photo, reader.chart.card, reader.chart.strip, reader.profiles, hand)
    return to_reading(photo, seen, reader.chart)


def hidden(good: Picture) -> Picture:
    """All four markers under something."""
    for x, y in CARD.markers.top_left_corners:
        good = good.painted((x, y, CARD.markers.side, CARD.markers.side), SKIN)
    return good


def test_a_card_without_markers_is_read_where_its_corners_are_placed(reader: Reader, good: Picture,
                                                                     good_reading: Reading) -> None:
    assert reader.read(hidden(good)).flags == ("no-card",)
    assert good_reading.card is not None
    beside = points_of(np.array(good_reading.card.corners_px) + 1.0)
    reading = read_by_hand(reader, hidden(good), ManualLocation(corners=beside))
    assert reading.card is not None
    assert reading.card.placed_by_hand
    assert reading.placed_by_hand == "card placed by hand"
    assert good_reading.placed_by_hand == ""
    assert not good_reading.card.placed_by_hand
    moved = shifts(reading, good_reading)
    assert len(moved) == 5
    assert max(moved.values()) < 0.5, "a pixel of slip moves no value by half of its interval"


def test_pads_are_measured_where_they_are_placed(reader: Reader, good: Picture, good_reading: Reading) -> None:
    first, last = good_reading.pads[0], good_reading.pads[-1]
    covered = good.painted((CARD.bed.x, CARD.bed.y, 6.0, CARD.bed.h), SKIN)
    reading = read_by_hand(reader, covered, ManualLocation(pads={first.analyte: first.px, last.analyte: last.px}))
    assert reading.strip is not None
    assert reading.strip.placed_by_hand
    assert max(shifts(reading, good_reading).values()) < 0.5
    assert np.allclose([p.px for p in reading.pads], [p.px for p in good_reading.pads], atol=2.0)


def test_pads_that_do_not_lie_as_on_the_strip_are_refused(reader: Reader, good: Picture, good_reading: Reading) -> None:
    first, last = good_reading.pads[0], good_reading.pads[-1]
    askew = {first.analyte: first.px, last.analyte: (last.px[0] + 200.0, last.px[1])}
    with pytest.raises(InputError, match="do not match this strip type"):
        read_by_hand(reader, good, ManualLocation(pads=askew))


def test_the_print_run_must_be_known(reader: Reader, good: Picture) -> None:
    corners = ((0.0, 0.0), (100.0, 0.0), (100.0, 70.0), (0.0, 70.0))
    photo = decode(file_of(good.pixels, "PNG"), "made.png")
    with pytest.raises(InputError, match="print run of the manually located card"):
        observe(photo, reader.chart.card, reader.chart.strip, (), ManualLocation(corners=corners))


@pytest.mark.parametrize("corners", ["0,0 1,0 1,1 0,1", "9000,0 19000,0 19000,9000 9000,9000",
                                     "-900,-900 5,-900 5,5 -900,5"])
def test_corners_outside_the_picture_are_refused(reader: Reader, good: Picture, corners: str) -> None:
    with pytest.raises(InputError, match="not those of a card in this picture"):
        read_by_hand(reader, good, ManualLocation(corners=corners_from_text(corners)))


def test_a_blurred_card_placed_by_hand_is_refused_like_any_other(reader: Reader, good: Picture,
                                                                 good_reading: Reading) -> None:
    """Blur known because it was made: a lens's 0.14 mm in the sample, and 0.75 mm on top."""
    assert good_reading.card is not None
    placed = ManualLocation(corners=good_reading.card.corners_px)
    sharp, soft = (read_by_hand(reader, hidden(good.blurred(sd)), placed) for sd in (0.2, 0.75))
    assert "blurred" not in sharp.flags
    assert (soft.status, "blurred" in soft.flags) == ("no-result", True)


@pytest.mark.parametrize(("text", "says"), [
    ("1,1 2,1 2,2", "not four corners"), ("1;1 2;1 2;2 1;2", "not four corners"),
    ("0,0 0,9 9,9 9,0", "not in order around"), ("0,0 9,9 9,0 0,9", "not in order around")])
def test_corners_are_four_points_clockwise(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        corners_from_text(text)


@pytest.mark.parametrize(("words", "says"), [
    (["iron=1,2", "ph=3,4"], "not the position of a pad"), (["ph=3"], "not the position of a pad"),
    (["ph=3,4"], "one pad does not determine the orientation")])
def test_pads_are_named_with_their_places(words: list[str], says: str) -> None:
    with pytest.raises(InputError, match=says):
        pads_from_text(words, default_strip())


def test_what_is_typed_is_what_is_placed() -> None:
    assert corners_from_text("1.5,2 30,3 29,20 0,21") == ((1.5, 2), (30, 3), (29, 20), (0, 21))
    assert pads_from_text(["ph=3,4.5", "hardness=1,2"], default_strip()) == {"ph": (3.0, 4.5), "hardness": (1.0, 2.0)}
