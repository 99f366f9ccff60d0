"""Light and tone undone: against known light and tone, of the reader's own family and of another."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.card import PAPER
from shared.colour import srgb_encode
from shared.profile import PrintProfile
from stripread.reading.light import Light, fit_light, tone, untone
from stripread.reading.patches import CardColours, PatchSample, card_colours, paper_places
from tests import simulator
from tests.simulator import Array
from tests.synthetic import BENCH_LIGHTS, CARD, sample, scaled, shoot


@pytest.fixture(scope="module")
def colours(sample_profile: PrintProfile) -> CardColours:
    return card_colours(sample_profile, CARD)


@given(u=st.floats(-0.02, 1.02), contrast=st.floats(-0.1, 0.5), lift=st.floats(-0.1, 0.1))
def test_untone_inverts_tone(u: float, contrast: float, lift: float) -> None:
    """Back to within a hundredth of a count of 255."""
    assert untone(tone(np.array([u]), contrast, lift), contrast, lift)[0] == pytest.approx(u, abs=4e-5)


@given(contrast=st.floats(-0.1, 0.5), lift=st.floats(-0.1, 0.1))
def test_tone_keeps_black_and_white_and_order(contrast: float, lift: float) -> None:
    steps = tone(np.linspace(0, 1, 101), contrast, lift)
    assert steps[[0, -1]] == pytest.approx([0.0, 1.0])
    assert np.diff(steps).min() > 0


def neutrals(colours: CardColours, field: Array, *, contrast: float, lift: float) -> list[PatchSample]:
    """What is neutral on the card under a known field (6, 3) of log light and a known tone, without noise."""
    greys = [(p.id, (p.x + p.w / 2, p.y + p.h / 2)) for p in CARD.patches if p.id in colours.neutrals]
    shown = []
    for name, place in [*greys, *((PAPER, place) for place in paper_places(CARD))]:
        x, y = scaled(np.array(place))
        light = np.exp(np.array([1, x, y, x * x, x * y, y * y]) @ field) * colours.neutral(name)
        shown.append(PatchSample(name, place, sample(255 * tone(srgb_encode(light), contrast, lift))))
    return shown


def uneven() -> Array:
    """A window at the left, a little warmer there."""
    field = np.zeros((6, 3))
    field[0] = np.log([0.72, 0.70, 0.66])
    field[1] = -0.12, -0.10, -0.09
    field[2], field[3] = 0.05, -0.04
    return field


@pytest.mark.parametrize(("contrast", "lift"), [(0.0, 0.0), (0.15, 0.0), (0.35, 0.03), (0.2, -0.03)])
def test_known_light_and_tone_are_recovered(colours: CardColours, contrast: float, lift: float) -> None:
    """Tone within 0.02 (the prior pulls as much), light within half a percent over the whole card."""
    light = fit_light(neutrals(colours, uneven(), contrast=contrast, lift=lift), colours, CARD)
    places = np.array([(x, y) for x in (10.0, 74.0, 138.0) for y in (10.0, 52.0, 95.0)])
    x, y = scaled(places).T
    true = np.exp(np.column_stack([np.ones(9), x, y, x * x, x * y, y * y]) @ uneven())
    assert (light.contrast, light.lift) == pytest.approx((contrast, lift), abs=0.02)
    assert light.at(places) / true == pytest.approx(np.ones((9, 3)), abs=0.005)
    assert light.residual < 0.3


def test_dirt_on_the_paper_moves_nothing(colours: CardColours) -> None:
    """Every eighth square of paper a fifth darker: light at the strip within 1 % of what it was."""
    clean = neutrals(colours, uneven(), contrast=0.2, lift=0.0)
    dirty = [p if i % 8 else PatchSample(p.id, p.centre, sample(p.sample.mean * 0.9)) for i, p in enumerate(clean)]
    strip = np.array([(x, CARD.bed.axis_y) for x in (20.0, 60.0, 100.0)])
    lights = [fit_light(seen, colours, CARD).at(strip) for seen in (clean, dirty)]
    assert lights[1] / lights[0] == pytest.approx(np.ones((3, 3)), abs=0.01)


def test_paper_is_one_wherever_it_lies(colours: CardColours) -> None:
    """The signal of each square of paper by its own light, and of each grey by its reflectance there."""
    shown = neutrals(colours, uneven(), contrast=0.25, lift=0.01)
    light = fit_light(shown, colours, CARD)
    signal, _ = light.signal(np.array([p.sample.mean for p in shown]), np.array([p.centre for p in shown]))
    assert signal == pytest.approx(np.array([colours.neutral(p.id) for p in shown]), rel=0.01)


def test_slope_is_the_derivative(colours: CardColours) -> None:
    light: Light = fit_light(neutrals(colours, uneven(), contrast=0.2, lift=0.0), colours, CARD)
    place = np.array([[40.0, 52.0]])
    for counts in (20.3, 120.3, 230.3):
        signal, slope = light.signal(np.full((1, 3), counts), place)
        ahead, _ = light.signal(np.full((1, 3), counts + 0.1), place)
        assert slope == pytest.approx((ahead - signal) / 0.1, rel=1e-6)


@pytest.mark.parametrize("lamp", BENCH_LIGHTS)
def test_a_tone_curve_of_another_family_is_undone(sample_profile: PrintProfile, lamp: str) -> None:
    """A logistic S curve with noise: greys come back linear within 2.5 %, or 0.004 of white where they are dark."""
    shot = shoot(simulator.camera(np.random.default_rng(7)), lamp, sample_profile, np.random.default_rng(8))
    colours = card_colours(sample_profile, CARD)
    greys = [i for i, p in enumerate(CARD.patches) if p.id in colours.neutrals]
    seen = shot.signals.signal[greys]
    true = np.array([colours.neutral(CARD.patches[i].id) for i in greys])
    assert np.abs(seen - true).max(axis=1) == pytest.approx(np.zeros(len(greys)), abs=0.02)
    assert (np.abs(seen - true) < 0.025 * true + 0.004).mean() > 0.95
