"""A card's wear, made from a good card. The faults are made here: no source but the geometry of the card."""

import numpy as np
import pytest

from stripread.reading import checks
from stripread.reading.card_check import CHANGED, MANY_CHANGED, check_card
from stripread.reading.observe import Observed
from tests.photographs import CARD, Picture
from tests.reader import Reader

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


def test_a_good_card_is_good(good_seen: Observed) -> None:
    found = check_card(good_seen)
    assert (found.verdict, found.reasons, found.stains, found.markers) == ("good", (), 0, (0, 1, 2, 3))
    assert found.typical_delta_e < 1.0, "the reading's own doubt of a patch is about 1 CIEDE2000"
    assert max(p.delta_e for p in found.patches) < CHANGED


def test_a_faded_card_is_replaced_and_flagged_by_the_same_measure(reader: Reader, good: Picture) -> None:
    worn, fresh = (reader.observe(faded(good, share)) for share in (0.5, 0.01))
    found = check_card(worn)
    assert found.verdict == "replace"
    assert "card-worn" in checks.photograph_flags(worn, CARD)
    assert check_card(fresh).verdict == "good"
    assert "card-worn" not in checks.photograph_flags(fresh, CARD)


@pytest.mark.parametrize("scratched", [MANY_CHANGED - 1, MANY_CHANGED])
def test_single_scratched_patches_are_told_and_many_replace_the_card(reader: Reader, good: Picture,
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
