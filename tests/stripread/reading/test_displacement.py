"""Bent cards and lens distortion: where the print is seen, against the distortion that was applied."""

from collections.abc import Callable

import numpy as np
import pytest

from stripread.reading.edges import PATCH_MM, fit_displacement, project
from stripread.reading.locate import CardLocation, locate
from tests.photographs import CARD, Array, Picture

MIDDLE = np.array(CARD.size) / 2
PLACES = np.stack(np.meshgrid(np.linspace(15, 133, 7), np.linspace(15, 90, 5)), axis=-1).reshape(-1, 2)


def barrel(mm: Array) -> Array:
    """What a lens of that radial distortion shows at places (..., 2): 1.1 mm from there at the card's markers."""
    off = mm - MIDDLE
    return np.asarray(MIDDLE + off * (1 + 2e-6 * (off**2).sum(axis=-1, keepdims=True)))


def bent(mm: Array) -> Array:
    """A card that is arched along its width: shortened towards its ends, by up to 1.5 mm."""
    x = (mm[..., :1] - MIDDLE[0]) / MIDDLE[0]
    return np.asarray(mm + np.concatenate([1.5 * x**3, np.zeros_like(x)], axis=-1))


@pytest.mark.parametrize("source", [barrel, bent])
def test_the_print_is_found_where_it_is(good: Picture, source: Callable[[Array], Array]) -> None:
    """Within 0.1 mm, where the perspective of the markers alone is off by three times as much or more."""
    seen = good.moved(np.ones(good.pixels.shape[:2], dtype=bool), source)
    located = locate(np.ascontiguousarray(seen.pixels[..., ::-1]), CARD, [7])
    assert isinstance(located, CardLocation)
    true = project(good.to_px, PLACES)
    corrected, flat = (np.linalg.norm(px - true, axis=1).max() / located.px_per_mm
                       for px in (located.to_px(source(PLACES)), project(located.homography, source(PLACES))))
    assert corrected < 0.1
    assert flat > 0.3
    assert located.displacement.residual_mm is not None
    assert located.displacement.residual_mm < 0.1
    assert np.abs(located.to_mm(located.to_px(PLACES)) - PLACES).max() < 0.01
    grids = PLACES[:, None] + np.array([[-2.0, 0.0], [2.0, 0.0]])
    assert np.abs(located.grids_to_px(grids) - located.to_px(grids)).max() < 0.1 * located.px_per_mm


def test_a_covered_edge_moves_nothing() -> None:
    """Three of thirty-five middles are 1 mm off; the others are displaced as a lens would."""
    seen = PLACES + np.array([0.3, 0.0]) * ((PLACES - MIDDLE) / MIDDLE) ** 2
    wrong = seen.copy()
    wrong[[3, 17, 30]] += 1.0
    sd = np.full(len(PLACES), PATCH_MM)
    good, disturbed = (fit_displacement(CARD.size, PLACES, places, sd) for places in (seen, wrong))
    assert np.abs(good.at(PLACES) - (seen - PLACES)).max() < 0.02
    assert np.abs(disturbed.at(PLACES) - good.at(PLACES)).max() < 0.15
