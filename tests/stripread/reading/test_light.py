"""Light and tone undone: against known light and tone, of the reader's own family and of another."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from shared.card import PAPER
from shared.colour import srgb_encode
from shared.profile import PrintProfile
from stripread.reading import light_fit
from stripread.reading.light import GAIN, SIZE, STRENGTH, TONE, LightField
from stripread.reading.light_fit import fit_light
from stripread.reading.pads import LIGHT_U
from stripread.reading.patches import CardColours, PatchSample, card_colours, paper_places
from stripread.reading.rendering import linearise, tone
from tests import simulator
from tests.simulator import Array
from tests.synthetic import BENCH_LIGHTS, CARD, sample, scaled, shoot

#: Contrast, lift and shoulder of tone curves that cameras may have.
BENDS = st.tuples(st.floats(-0.1, 0.5), st.floats(-0.1, 0.1), st.floats(-0.3, 0.3)).map(np.array)


@given(bends=BENDS)
def test_untone_inverts_tone(bends: Array) -> None:
    """Each count's linear light is rendered as that count, within a twentieth of one."""
    assert 255 * tone(srgb_encode(linearise(bends)), bends) == pytest.approx(np.arange(256.0), abs=0.05)


@given(bends=BENDS)
def test_tone_keeps_black_and_white_and_order(bends: Array) -> None:
    steps = tone(np.linspace(0, 1, 101), bends)
    assert steps[[0, -1]] == pytest.approx([0.0, 1.0])
    assert np.diff(steps).min() > 0


def neutrals(colours: CardColours, field: Array, bends: Sequence[float] = (0.2, 0.0, 0.0), *, veil: float = 0.0,
             gain: Callable[[Array], float] = lambda _: 0.0) -> list[PatchSample]:
    """What is neutral on the card under a known field (6, 3) of log light and a known rendering, without noise."""
    greys = [(p.id, (p.x + p.w / 2, p.y + p.h / 2)) for p in CARD.patches if p.id in colours.neutrals]
    shown = []
    for name, place in [*greys, *((PAPER, place) for place in paper_places(CARD))]:
        x, y = scaled(np.array(place))
        light = np.exp(np.array([1, x, y, x * x, x * y, y * y]) @ field + gain(np.array(place)))
        encoded = srgb_encode(light * colours.neutral(name) + veil)
        shown.append(PatchSample(name, place, sample(255 * tone(encoded, np.array(bends)))))
    return shown


def uneven() -> Array:
    """A window at the left, a little warmer there."""
    field = np.zeros((6, 3))
    field[0] = np.log([0.72, 0.70, 0.66])
    field[1] = -0.12, -0.10, -0.09
    field[2], field[3] = 0.05, -0.04
    return field


@pytest.mark.parametrize("veil", [0.0, 0.03])
@pytest.mark.parametrize("bends", [(0.0, 0.0, 0.0), (0.15, 0.0, 0.2), (0.35, 0.03, -0.1), (0.2, -0.03, 0.0)])
def test_known_light_and_rendering_are_recovered(
        colours: CardColours, bends: tuple[float, float, float], veil: float) -> None:
    """Signals within 1 % or 0.004 of white (the priors pull as much), light within half a percent over the whole card.

    How bright the whole is shifts with the shoulder of the curve and cancels in signals.
    """
    light = fit_light(neutrals(colours, uneven(), bends, veil=veil), colours, CARD)
    places = np.array([(x, y) for x in (10.0, 74.0, 138.0) for y in (10.0, 52.0, 95.0)])
    x, y = scaled(places).T
    true = np.exp(np.column_stack([np.ones(9), x, y, x * x, x * y, y * y]) @ uneven())
    off = light.at(places) / true
    assert off / off.mean() == pytest.approx(np.ones((9, 3)), abs=0.005)
    signal = np.linspace(0.05, 0.9, 9)[:, None] * np.ones(3)
    seen, _ = light.signal(255 * tone(srgb_encode(signal * true + veil), np.array(bends)), places)
    assert seen == pytest.approx(signal, rel=0.01, abs=0.004)
    assert light.residual < 0.3


def test_stray_light_is_taken_off(colours: CardColours) -> None:
    """Three parts in a hundred of full light, as through a lens with a fingerprint, and none where there is none."""
    strip = np.array([[74.0, CARD.bed.axis_y]])
    for veil in (0.0, 0.03):
        light = fit_light(neutrals(colours, uneven(), veil=veil), colours, CARD)
        black, _ = light.signal(255 * tone(srgb_encode(np.full((1, 3), veil)), np.array([0.2, 0.0, 0.0])), strip)
        assert black == pytest.approx(np.zeros((1, 3)), abs=0.004)


def test_local_gain_is_followed(colours: CardColours) -> None:
    """A camera that lifts one corner by 8 %, as local tone mapping does: signals at the strip within 1.5 %."""
    def gain(place: Array) -> float:
        return float(0.08 * np.exp(-(((place - (20.0, 80.0)) / 35.0) ** 2).sum()))

    light = fit_light(neutrals(colours, uneven(), gain=gain), colours, CARD)
    strip = np.array([(x, CARD.bed.axis_y) for x in (20.0, 40.0, 60.0, 100.0)])
    x, y = scaled(strip).T
    field = np.column_stack([np.ones(4), x, y, x * x, x * y, y * y]) @ uneven()
    lit = np.exp(field + np.array([gain(place) for place in strip])[:, None])
    seen, _ = light.signal(255 * tone(srgb_encode(0.4 * lit), np.array([0.2, 0.0, 0.0])), strip)
    assert seen == pytest.approx(np.full((4, 3), 0.4), rel=0.015)


def test_dirt_on_the_paper_changes_no_value(colours: CardColours) -> None:
    """Every eighth square of paper a fifth darker: light at the strip within 1 % of what it was."""
    clean = neutrals(colours, uneven())
    dirty = [p if i % 8 else PatchSample(p.id, p.centre, sample(p.sample.mean * 0.9)) for i, p in enumerate(clean)]
    strip = np.array([(x, CARD.bed.axis_y) for x in (20.0, 60.0, 100.0)])
    lights = [fit_light(seen, colours, CARD).at(strip) for seen in (clean, dirty)]
    assert lights[1] / lights[0] == pytest.approx(np.ones((3, 3)), abs=0.01)


def test_paper_is_one_wherever_it_lies(colours: CardColours) -> None:
    """The signal of each square of paper by its own light, and of each grey by its reflectance there."""
    shown = neutrals(colours, uneven(), (0.25, 0.01, 0.0))
    light = fit_light(shown, colours, CARD)
    signal, _ = light.signal(np.array([p.sample.mean for p in shown]), np.array([p.centre for p in shown]))
    assert signal == pytest.approx(np.array([colours.neutral(p.id) for p in shown]), rel=0.01)


def test_slope_is_the_derivative(colours: CardColours) -> None:
    light: LightField = fit_light(neutrals(colours, uneven()), colours, CARD)
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


def test_the_fit_is_settled(sample_profile: PrintProfile, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three times as many rounds change no signal where pads lie by more than a tenth of the light's uncertainty."""
    strip = np.array([[60.0, 50.0], [90.0, 50.0], [120.0, 50.0]])
    grey = np.full((3, 3), 130.0)
    for seed in range(20):
        fits = []
        for rounds in (light_fit.ROUNDS, 3 * light_fit.ROUNDS):
            monkeypatch.setattr(light_fit, "ROUNDS", rounds)
            rng = np.random.default_rng(seed)
            fits.append(shoot(simulator.camera(rng), BENCH_LIGHTS[seed % 3], sample_profile, rng).light)
        monkeypatch.undo()
        usual, more = (fit.signal(grey, strip)[0] for fit in fits)
        assert usual == pytest.approx(more, rel=LIGHT_U / 10)


@pytest.mark.parametrize("true", [0.01, 0.1])
def test_the_gain_is_as_strong_as_is_likeliest(true: float) -> None:
    """Its amplitude against the likeliest one by the density of the neutrals' counts, computed in full (to 1 %)."""
    rng = np.random.default_rng(3)
    jacobian, weight = 40 * rng.normal(size=(80, 3, SIZE)), np.full((80, 3), 0.5)
    state, prior = np.zeros(SIZE), light_fit._Prior(unmeasured=True)
    state[TONE], state[GAIN] = 0.1, true * rng.normal(size=len(STRENGTH))
    # Almost nothing is expected of the light's level, which the full covariance could not express in numbers.
    prior.precision[:3, :3] = np.eye(3)
    prior._limit_veil(state)
    counts = jacobian @ state + rng.normal(size=(80, 3)) / np.sqrt(weight)
    flat = jacobian.reshape(-1, SIZE)
    off = counts.ravel() - flat @ prior.mean

    def unlikely(log_amplitude: float) -> float:
        precision = prior.precision.copy()
        precision[GAIN, GAIN] = np.eye(len(STRENGTH)) * np.exp(-2 * log_amplitude)
        covariance = flat @ np.linalg.inv(precision) @ flat.T + np.diag(1 / weight.ravel())
        return float(np.linalg.slogdet(covariance)[1] + off @ np.linalg.solve(covariance, off))

    likeliest = minimize_scalar(unlikely, bounds=np.log(light_fit.GAIN_RANGE), method="bounded").x
    normal, seen = light_fit._normal_equations(jacobian, weight, counts)
    for _ in range(5):
        prior._refit_gain(normal, seen)
    assert prior.amplitude == pytest.approx(float(np.exp(likeliest)), rel=0.01)
