"""Colour rendering that is not linear: boosted saturation is learned from the patches, and absent without a boost."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.reflectance import COSINES
from shared.colour import srgb_decode, srgb_encode
from shared.profile import PrintProfile
from stripread.reading import rendering
from stripread.reading.metadata import UNKNOWN_CODING, coding_covariance
from stripread.reading.patches import CardColours, PatchSignals, to_weights
from stripread.reading.response import learn_response
from stripread.reading.response_regression import SHARE
from tests import simulator
from tests.loops import some
from tests.simulator import Array
from tests.synthetic import CARD, dyed_pads, printed

SLOPE, LIGHTS = 0.004, ("D65", "LED-B2", "LED-B5", "D50")


def boosted(signal: Array, boost: float) -> Array:
    """Encoded colours moved away from their luma (ITU-R BT.709), pale ones the more, as phones render them."""
    encoded = srgb_encode(np.clip(signal, 0.0, 1.2))
    luma = encoded @ np.array([[0.2126], [0.7152], [0.0722]])
    chroma = np.ptp(encoded, axis=-1, keepdims=True)
    return srgb_decode(luma + (1 + boost * (1 - 0.6 * np.minimum(chroma, 1.0))) * (encoded - luma))


def photographed(profile: PrintProfile, seed: int, boost: float) -> tuple[PatchSignals, Array]:
    """Signals of the patches with the noise that the reader states, and of the pads without."""
    rng = np.random.default_rng(seed)
    camera, lamp = simulator.camera(rng), simulator.lamp(LIGHTS[seed % len(LIGHTS)])
    reflectance, n = printed(profile)[0], len(CARD.patches)
    both = simulator.relative(camera, lamp, np.vstack([reflectance[:n], dyed_pads(), reflectance[-1:]]))
    rendered = boosted(both, boost)
    coded = rng.multivariate_normal(np.zeros(3), coding_covariance(UNKNOWN_CODING), n) * SLOPE
    patches = rendered[:n] * np.exp(rng.normal(0, SHARE, (n, 3))) + coded
    inside = np.asarray((rendered[:n] > 0.02) & (rendered[:n] < 1.05))
    return PatchSignals(signal=patches, slope=np.full((n, 3), SLOPE), clear=inside), rendered[n:]


def test_plain_rendering_is_unchanged(sample_profile: PrintProfile, colours: CardColours) -> None:
    """Nothing is added in at least 22 of 24 photographs without any boost."""
    sizes = [learn_response(photographed(sample_profile, seed, 0.0)[0], colours).rendering.size for seed in range(24)]
    assert np.count_nonzero(sizes) <= 2


def test_boosted_saturation_is_learned(
        sample_profile: PrintProfile, colours: CardColours, monkeypatch: pytest.MonkeyPatch) -> None:
    """A strong boost, 25 %: pads' signals err by at most 0.7 of what a linear response errs, 85 % within 1.96 sd."""
    weights = to_weights(dyed_pads()[:, ::2])
    error, plain, z = [], [], []
    for seed in range(16):
        patches, true = photographed(sample_profile, seed, 0.25)
        learned = learn_response(patches, colours)
        with monkeypatch.context() as without:
            without.setattr(rendering, "SIZES", (0.0,))
            linear = learn_response(patches, colours).response
        for w, signal in zip(weights, true, strict=True):
            response = learned.at(signal)
            off = response.signal(w) - signal
            error.append(off)
            plain.append(linear.signal(w) - signal)
            z.append(off / np.sqrt(response.variance(response.correction + response.mismatch, w)))
    assert np.sqrt(np.mean(np.square(error))) < 0.7 * np.sqrt(np.mean(np.square(plain)))
    assert (np.abs(z) < 1.96).mean() > 0.85


def test_greys_are_not_rendered(sample_profile: PrintProfile, colours: CardColours) -> None:
    """The response for a grey is the linear one, whatever the rendering of colours."""
    learned = learn_response(photographed(sample_profile, 1, 0.25)[0], colours)
    assert learned.rendering.size > 0
    grey = np.full(3, 0.4)
    assert learned.at(grey).signal(np.zeros(len(COSINES.T))) == pytest.approx(
        learned.response.signal(np.zeros(len(COSINES.T))), abs=1e-6)
    none = replace(learned.rendering, size=0.0)
    assert none.at(learned.response, np.array([0.7, 0.3, 0.2])) is learned.response


def test_covariances_of_any_colour_have_no_negative_variances(
        sample_profile: PrintProfile, colours: CardColours) -> None:
    """Each part is a covariance by itself, as the calibration adds them up in different ways."""
    patches, true = photographed(sample_profile, 3, 0.25)
    learned = learn_response(patches, colours)
    assert learned.rendering.size > 0
    for signal in some(true):
        seen = learned.at(signal)
        for part in (seen.correction, seen.mismatch, seen.lamp):
            assert np.linalg.eigvalsh(part).min() > -1e-10
