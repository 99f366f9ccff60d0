"""Figures of merit of an invented batch whose truth is known: dyes that mix, a camera of three bands, noise."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.curve import way
from calibration.fit import CurveFit, fitted
from calibration.merit import Merit, merit_of, near_zero
from calibration.observation import PadObservation, Response, StandardObservation
from calibration.reflectance import FRAME
from shared.colour import WAVELENGTHS_NM, xyz_to_lab, xyz_weights
from stripread.report.calibration_text import merit_facts
from tests.loops import some

Array = NDArray[np.float64]
LEVELS = (0.0, 15.0, 30.0, 50.0, 75.0, 110.0, 160.0, 230.0, 320.0, 425.0)
LIGHTS = ("window", "lamp", "window", "lamp")
NOISE = 0.004
#: Three bands of a camera over the spectrum, each 1 for a white.
_BANDS = np.array([np.exp(-0.5 * ((WAVELENGTHS_NM - m) / 35) ** 2) for m in (600, 540, 460)])
BANDS = _BANDS / _BANDS.sum(axis=1, keepdims=True)


def reflectance(value: float) -> Array:
    """Kubelka and Munk: one band gives way to another as more is bound."""
    share = value / (value + 130)
    k = 0.0056 + 1.1 * (1 - share) * np.exp(-0.5 * ((WAVELENGTHS_NM - 610) / 45) ** 2)
    k = k + 0.9 * share * np.exp(-0.5 * ((WAVELENGTHS_NM - 525) / 40) ** 2)
    return np.asarray(1 + k - np.sqrt(k * (k + 2)))


def lab(value: float) -> Array:
    return xyz_to_lab(xyz_weights("D50") @ reflectance(value))


def standards(seed: int, *, stray: float = 0.0, noise: float = NOISE) -> list[StandardObservation]:
    """Four photographs a level; those of one level and light stray together, by a share of the value."""
    rng = np.random.default_rng(seed)
    nothing = np.zeros((3, FRAME.shape[1], FRAME.shape[1]))
    response = Response(mean=BANDS @ FRAME, correction=nothing, mismatch=nothing, camera=nothing[:, :, :1])
    rows = []
    for level in LEVELS:
        shown = {light: level * (1 + rng.normal(0, stray)) for light in dict.fromkeys(LIGHTS)}
        for i, light in enumerate(LIGHTS):
            signal = BANDS @ reflectance(shown[light]) + rng.normal(0, noise, 3)
            pad = PadObservation("hardness", signal=signal, pixel=noise**2 * np.eye(3), field=np.zeros((3, 3)),
                                 light=np.zeros((3, 1)), response=response)
            rows.append(StandardObservation(photo=f"{level:g}-{i}.jpg", standard=f"H{level:g}", light=light,
                                            value=level, u=0.1, pad=pad))
    return rows


def fit_of(rows: Sequence[StandardObservation]) -> CurveFit:
    return fitted("hardness", "mg/L CaCO3", rows)


@pytest.fixture(scope="module")
def batch() -> CurveFit:
    return fit_of(standards(1))


@pytest.fixture(scope="module")
def merit(batch: CurveFit) -> Merit:
    """Its figures; each level is left out and the curve fitted again, which takes its time."""
    return merit_of(batch)


def test_sensitivity_is_the_slope_of_the_true_colours(merit: Merit) -> None:
    for level in some(merit.levels[1:-1]):
        step = level.value / 50
        true = np.linalg.norm(lab(level.value + step) - lab(level.value - step)) / (2 * step)
        assert level.sensitivity == pytest.approx(float(true), rel=0.15)


def test_scatter_is_that_of_the_pixels_along_the_curve(merit: Merit) -> None:
    """Second way: the standard deviation of the best value by weighted least squares, times the slope of the way."""
    expected = []
    for value in LEVELS[1:-1]:
        step = value / 50
        slope = BANDS @ (reflectance(value + step) - reflectance(value - step)) / (2 * step)
        per_unit = np.linalg.norm(lab(value + step) - lab(value - step)) / (2 * step)
        expected.append(NOISE / np.linalg.norm(slope) * per_unit)
    batches = [merit, *(merit_of(fit_of(standards(seed))) for seed in (11, 12, 13))]
    variances = np.mean([[s.variance for s in m.stages] for m in batches if m.stages is not None], axis=0)
    # 4 x 16 degrees of freedom for strips, 4 x 8 for lights, of which there is nothing to find.
    assert np.sqrt(variances[2]) == pytest.approx(np.sqrt(np.mean(np.square(expected))), rel=0.2)
    assert abs(variances[1]) < 0.5 * variances[2]
    assert np.mean([m.scatter for m in batches]) == pytest.approx(np.sqrt(variances[2]), rel=0.3)


def test_lights_that_stray_show_in_their_own_stage() -> None:
    merit = merit_of(fit_of(standards(2, stray=0.1)))
    assert merit.stages is not None
    standard, light, strip = merit.stages
    assert light.sd > 1.5 * max(strip.sd, standard.sd)


def test_a_smooth_curve_has_no_warning_and_predicts_its_levels(merit: Merit) -> None:
    assert merit.lack_of_fit is not None
    assert merit.lack_of_fit.p > 0.01
    assert merit.left_out_rms is not None
    assert merit.left_out_rms < 2 * merit.scatter


def test_a_wrongly_prepared_level_shows_in_its_left_out_error() -> None:
    """A solution sold as 110 that is 90 reads about 90 on the curve of the others."""
    rows = standards(3)
    wrong = [replace(s, pad=t.pad) for s in rows if s.value == 110 for t in _at_90(s)]
    merit = merit_of(fit_of([s for s in rows if s.value != 110] + wrong))
    error = {e.value: e.left_out for e in merit.levels}
    assert error[110] == pytest.approx(-20, abs=6)
    assert error[0] is None
    assert error[425] is None


def _at_90(standard: StandardObservation) -> list[StandardObservation]:
    signal = standard.pad.signal + BANDS @ (reflectance(90) - reflectance(110))
    return [replace(standard, pad=replace(standard.pad, signal=signal))]


def test_limits_near_zero_follow_the_noise(batch: CurveFit) -> None:
    """ISO 11843-2 with the known noise: a critical value of about t s, a detectable one of twice that."""
    found, noisy = (near_zero(b.curve, b.process.standards) for b in (batch, fit_of(standards(5, noise=3 * NOISE))))
    assert found is not None
    assert noisy is not None
    slope = BANDS @ (reflectance(1.0) - reflectance(0.0))
    s = NOISE / np.linalg.norm(slope)
    # t(14) is 1.76, and the root 1.0 to 1.2: the line itself is known from 16 photographs.
    assert found.critical == pytest.approx(1.76 * 1.1 * s, rel=0.4)
    assert found.detectable == pytest.approx(2 * found.critical, rel=0.15)
    assert noisy.sd == pytest.approx(3 * found.sd, rel=0.5)
    assert found.quantifiable is not None
    lengths = way(batch.curve, np.array([found.quantifiable * 0.99, found.quantifiable * 1.01]))
    relative = found.sd / (np.diff(lengths)[0] / (0.02 * found.quantifiable)) / found.quantifiable
    assert relative == pytest.approx(0.1, rel=0.1)


def test_ph_and_a_series_without_blank_have_no_detection_limit(batch: CurveFit) -> None:
    assert near_zero(batch.curve, [s for s in batch.process.standards if s.value > 0]) is None
    rows = [replace(s, value=6 + s.value / 142) for s in standards(1)]
    assert merit_of(fitted("ph", "pH", rows)).near_zero is None


def test_working_range_and_resolution_follow_the_intervals(merit: Merit) -> None:
    assert merit.working_range is not None
    low, high = merit.working_range
    for level in some(merit.levels[1:-1]):
        assert level.half_width is not None
        assert (low <= level.value <= high) == (level.half_width <= 0.25 * level.value)
    slope = BANDS @ (reflectance(61) - reflectance(59)) / 2
    # Two strips of one light: 1.96 root 2 standard deviations, scatter of dye load found by the fit on top.
    assert merit.resolution is not None
    assert merit.resolution >= 0.9 * 1.96 * np.sqrt(2) * NOISE / np.linalg.norm(slope)
    assert merit.resolution <= 3 * 1.96 * np.sqrt(2) * NOISE / np.linalg.norm(slope)


def test_figures_of_merit_are_reported_with_their_meaning(merit: Merit) -> None:
    text = "\n".join(f"{name}: {printed}" for name, printed in merit_facts(merit))
    for piece in ("working range:", "sensitivity", "strips", "lack of fit F(",
                  "left-out levels", "ISO 11843-2", "resolution at 60"):
        assert piece in text
