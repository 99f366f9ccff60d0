"""Two cards in one invented picture: drawn from the layout, seen askew under uneven light by an sRGB camera.

The new run's colours are the design's, moved by up to 12 counts of 255; what is found is held against them.
"""

from pathlib import Path

import cv2
import msgspec
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from shared.card import BED, PAPER, CardLayout, default_card
from shared.colour import delta_e_2000, srgb_decode, srgb_encode
from shared.errors import MismatchError
from shared.profile import PrintProfile
from stripread.reading.card_transfer import transfer_profile
from stripread.reading.photo import Photo
from stripread.reading.photo_file import load_photo
from stripread.report.card_pdf import card_pdf

Array = NDArray[np.float64]
CARD = default_card()
KNOWN, NEW = 7, 8
WIDTH, HEIGHT = 2600, 1000


def moved_card() -> CardLayout:
    """The new run as it came out of the press; the bed is printed like the patches of its name."""
    rng = np.random.default_rng(8)
    of_colour = {p.colour: rng.integers(-12, 13, 3) for p in CARD.patches}

    def moved(srgb: tuple[int, int, int], colour: str) -> tuple[int, int, int]:
        r, g, b = np.clip(np.array(srgb) + of_colour[colour], 0, 255).tolist()
        return r, g, b

    return msgspec.structs.replace(
        CARD, bed=msgspec.structs.replace(CARD.bed, srgb=moved(CARD.bed.srgb, CARD.bed.colour)),
        patches=tuple(msgspec.structs.replace(p, srgb=moved(p.srgb, p.colour)) for p in CARD.patches))


def profile_of(card: CardLayout, run: int) -> PrintProfile:
    """As an instrument would find it, paper being the screen's white."""
    lab = np.vstack([card.nominal_lab(), card.nominal_bed_lab(), [100.0, 0.0, 0.0]])
    return PrintProfile(run=run, ids=(*card.patch_ids, BED, PAPER), lab=lab)


def linear_raster(card: CardLayout, run: int) -> Array:
    page = pypdfium2.PdfDocument(card_pdf(card, run))[0]
    return srgb_decode(page.render(scale=200 / 72).to_numpy() / 255.0)


def picture(path: Path, seed: int, cards: list[tuple[CardLayout, int]]) -> Photo:
    """The cards side by side on grey, turned a little, light falling off by a third, encoded and with noise."""
    rng = np.random.default_rng(seed)
    scene = np.full((HEIGHT, WIDTH, 3), 0.2)
    for i, (card, run) in enumerate(cards):
        drawn = linear_raster(card, run)
        h, w = drawn.shape[:2]
        straight = np.array([[60, 60], [1240, 60], [1240, 897], [60, 897]]) + np.array([1240 * i, 0])
        corner = straight + rng.uniform(-25, 25, (4, 2))
        matrix = cv2.getPerspectiveTransform(np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32),
                                             corner.astype(np.float32))
        laid = cv2.warpPerspective(drawn, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_AREA)
        mask = cv2.warpPerspective(np.ones((h, w)), matrix, (WIDTH, HEIGHT))[..., None]
        scene = scene * (1 - mask) + laid * mask
    x, y = np.meshgrid(np.linspace(-1, 1, WIDTH), np.linspace(-1, 1, HEIGHT))
    light = 0.75 * np.exp(rng.uniform(-0.15, 0.15) * x + rng.uniform(-0.15, 0.15) * y - 0.1 * (x**2 + y**2))
    seen = np.asarray(cv2.GaussianBlur(scene * light[..., None], (0, 0), 1.0), dtype=np.float64)
    counts = 255 * srgb_encode(seen) + rng.normal(0, 1.5, seen.shape)
    cv2.imwrite(str(path), np.rint(np.clip(counts, 0, 255)).astype(np.uint8))
    return load_photo(path)


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Photo]:
    folder = tmp_path_factory.mktemp("cards")
    return [picture(folder / f"{seed}.png", seed, [(CARD, KNOWN), (moved_card(), NEW)]) for seed in (1, 2, 3)]


def test_the_new_runs_colours_are_found(photos: list[Photo]) -> None:
    truth = profile_of(moved_card(), NEW)
    found = transfer_profile(photos, CARD, reference=profile_of(CARD, KNOWN), run=NEW)
    assert found.profile.run == NEW
    assert found.profile.ids == truth.ids
    found.profile.check_against(CARD)
    apart = delta_e_2000(found.profile.lab, truth.lab)
    before = delta_e_2000(profile_of(CARD, KNOWN).lab, truth.lab)
    assert np.median(before) > 3
    assert np.median(apart) < 0.6
    assert np.quantile(apart, 0.9) < 1.5
    assert len(found.standard_error) == len(CARD.patches) + 1
    assert np.median(found.standard_error) < 0.5


def test_a_card_that_is_not_in_the_picture_is_missed_by_name(photos: list[Photo], tmp_path: Path) -> None:
    alone = picture(tmp_path / "alone.png", 4, [(CARD, KNOWN)])
    with pytest.raises(MismatchError, match=r"alone.png.*no card of print run 8"):
        transfer_profile([alone, *photos[:2]], CARD, reference=profile_of(CARD, KNOWN), run=NEW)


def test_too_few_photographs_and_the_same_run_twice(photos: list[Photo]) -> None:
    with pytest.raises(MismatchError, match="3 or more"):
        transfer_profile(photos[:2], CARD, reference=profile_of(CARD, KNOWN), run=NEW)
    with pytest.raises(MismatchError, match="is listed twice"):
        transfer_profile([*photos, photos[0]], CARD, reference=profile_of(CARD, KNOWN), run=NEW)
    with pytest.raises(MismatchError, match="different print runs"):
        transfer_profile(photos, CARD, reference=profile_of(CARD, KNOWN), run=KNOWN)
