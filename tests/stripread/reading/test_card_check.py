"""A card's wear, made from a good card. The faults are made here: no source but the geometry of the card."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from shared.card import marker_cells
from stripread.reading import checks
from stripread.reading.card_check import CHANGED, MANY_CHANGED, check_card
from stripread.reading.observe import Observation
from tests.photographs import CARD, Picture
from tests.reader import Reader

Array = NDArray[np.float64]
PALE = [p for p in CARD.patches if not p.colour.startswith("grey") and min(p.srgb) > 60]


def faded(good: Picture, share: float) -> Picture:
    """Inks that let so much of the paper's light through, more the bluer the light, as magenta and yellow bleach.

    Only pale ones: where a channel is at the end of the scale, the picture no longer knows what it would show.
    """
    light = good.light.copy()
    paper = np.median(good.light[good.within((60.0, 88.0, 20.0, 4.0))], axis=0)
    for patch in PALE:
        where = good.within((patch.x, patch.y, patch.w, patch.h))
        light[where] += share * np.array([0.2, 0.6, 1.0]) * (paper - light[where])
    return good.with_light(light)


def test_a_good_card_is_good(good_seen: Observation) -> None:
    found = check_card(good_seen)
    assert (found.verdict, found.reasons, found.stains, found.markers) == ("good", (), 0, (0, 1, 2, 3))
    assert found.bed_stain_mm2 == 0.0
    assert found.shape.lost_cells == (0, 0, 0, 0)
    assert found.typical_delta_e < 1.0, "the reading's own uncertainty of a patch is about 1 CIEDE2000"
    assert max(p.delta_e for p in found.patches) < CHANGED


def test_a_faded_card_is_replaced_and_flagged_by_the_same_measure(reader: Reader, good: Picture) -> None:
    worn, fresh = (reader.observe(faded(good, share)) for share in (0.5, 0.01))
    found = check_card(worn)
    assert found.verdict == "replace"
    assert "card-worn" in checks.check_photograph(worn, CARD).flags
    assert check_card(fresh).verdict == "good"
    assert "card-worn" not in checks.check_photograph(fresh, CARD).flags


@pytest.mark.parametrize("scratched", [MANY_CHANGED - 1, MANY_CHANGED])
def test_single_scratched_patches_are_reported_and_many_replace_the_card(reader: Reader, good: Picture,
                                                                      scratched: int) -> None:
    scene = good
    for patch in PALE[3 : 3 + scratched]:
        scene = scene.lit_within((patch.x, patch.y, patch.w, patch.h), np.array([0.6, 0.75, 0.9]))
    found = check_card(reader.observe(scene))
    assert {p.id for p in found.patches if p.changed} == {p.id for p in PALE[3 : 3 + scratched]}
    assert found.verdict == ("replace" if scratched >= MANY_CHANGED else "good")


def test_a_stain_on_the_paper_is_seen(reader: Reader, good: Picture) -> None:
    found = check_card(reader.observe(good.lit_within((56.0, 86.0, 24.0, 6.0), np.array([0.95, 0.85, 0.7]))))
    assert found.verdict == "replace"
    assert found.stains >= 1


def test_bad_light_is_not_held_against_the_card(reader: Reader, good: Picture) -> None:
    found = check_card(reader.observe(good.lit(0.06)))
    assert found.verdict == "look again"
    assert "too dark" in found.reasons[0]


@pytest.mark.parametrize(("width_mm", "verdict"), [(1.0, "good"), (4.0, "replace")])
def test_a_stain_on_the_bed_is_found_next_to_the_strip(reader: Reader, good: Picture, width_mm: float,
                                                     verdict: str) -> None:
    box = (CARD.bed.x + CARD.bed.w - 15.0, CARD.bed.axis_y - 1.0, width_mm, 1.5)
    found = check_card(reader.observe(good.lit_within(box, np.array([0.8, 0.65, 0.5]))))
    assert found.verdict == verdict
    assert found.bed_stain_mm2 == pytest.approx(width_mm * 1.5, abs=2.5), "to the width of the smoothing"


@pytest.mark.parametrize("scratched", [1, 2])
def test_scratched_cells_of_a_marker_are_counted(reader: Reader, good: Picture, scratched: int) -> None:
    """Cells of the code that the family's own redundancy makes up for: the marker is still read."""
    x, y = CARD.markers.top_left_corners[2]
    cell = CARD.markers.side / 8
    black = [(i, j) for j, i in np.argwhere(~marker_cells(4 * 7 + 2)) if 0 < i < 7 and 0 < j < 7][:scratched]
    scene = good
    for column, row in black:
        scene = scene.painted((x + column * cell, y + row * cell, cell, cell), (225, 225, 222))
    found = check_card(reader.observe(scene))
    assert found.shape.lost_cells == (0, 0, scratched, 0)
    assert found.verdict == "replace"


def test_a_patch_row_out_of_place_is_seen(reader: Reader, good: Picture) -> None:
    """A card whose middle is bowed by a millimetre, as one that does not lie flat."""
    inner = good.within((22.0, 22.0, 102.0, 61.0))

    def bowed(mm: Array) -> Array:
        return np.asarray(mm + np.column_stack([np.zeros(len(mm)), np.cos((mm[:, 0] - 73) / 51 * np.pi / 2)]))

    shape = check_card(reader.observe(good.moved(inner, bowed))).shape
    assert shape.out_of_place_mm == pytest.approx(1.0, abs=0.3)
    assert any("bent" in fault for fault in shape.faults())


@pytest.mark.parametrize(("factor", "fault"), [(1.0, ""), (1.03, "3 % too wide"), (0.97, "3 % too narrow")])
def test_a_stretched_print_is_seen_from_above_only(reader: Reader, good: Picture, factor: float, fault: str) -> None:
    """Pinhole camera of 28 mm on film: the card from straight above, and from 25 degrees aside along its width."""
    above, aside = (photographed(good, tilt, stretch=factor) for tilt in (0.0, 25.0))
    from_above, from_aside = (check_card(reader.observe(p)).shape for p in (above, aside))
    assert fault in " ".join(from_above.faults())
    assert bool(from_above.faults()) == bool(fault)
    assert from_above.stretch[0] - 0.004 < factor < from_above.stretch[1] + 0.004
    assert from_aside.stretch_undetermined
    assert not from_aside.faults()


def photographed(good: Picture, tilt_degrees: float, *, stretch: float) -> Picture:
    """The sample's card seen by a camera with square pixels, ``stretch`` times as wide as designed."""
    width, height = 1760, 1320
    focal, tilt = 28 / 43.27 * np.hypot(width, height), np.radians(tilt_degrees)
    flat = np.array([[stretch, 0.0, -74.0 * stretch], [0.0, 1.0, -52.5], [0.0, 0.0, 1.0]])
    turned = np.array([[np.cos(tilt), 0.0, 0.0], [0.0, 1.0, 0.0], [-np.sin(tilt), 0.0, focal / 8.0]])
    camera = np.array([[focal, 0.0, width / 2], [0.0, focal, height / 2], [0.0, 0.0, 1.0]])
    to_px = camera @ turned @ flat
    pixels = cv2.warpPerspective(good.pixels, to_px @ np.linalg.inv(good.to_px), (width, height), flags=cv2.INTER_AREA)
    return Picture(np.asarray(pixels, dtype=np.uint8), to_px)


def test_a_bar_that_is_off_by_more_than_a_hundredth_is_flagged(reader: Reader, good: Picture,
                                                              good_seen: Observation) -> None:
    """Its end covered by paper; 0.2 % is a fifth of what is allowed."""
    bar = CARD.scale_bar
    assert check_card(good_seen).bar_mm == pytest.approx(bar.length, rel=0.002)
    for covered, verdict in ((0.2, "good"), (1.5, "replace")):
        light = good.light.copy()
        paper = np.median(good.light[good.within((60.0, 88.0, 20.0, 4.0))], axis=0)
        light[good.within((bar.x + bar.length - covered, bar.y - 0.8, covered + 0.5, 1.6))] = paper
        found = check_card(reader.observe(good.with_light(light)))
        assert found.bar_mm == pytest.approx(bar.length - covered, abs=0.15)
        assert (found.verdict, any("its bar is" in r for r in found.reasons)) == (verdict, verdict == "replace")
