"""Curves fitted to simulated standards: through their levels, with the stated uncertainty, and found again."""

import numpy as np
import pytest

from calibration.common_effects import Veil
from calibration.curve import Curve, lower_triangles
from calibration.fit import MIN_LEVELS, fitted
from calibration.observation import StandardObservation
from calibration.reflectance import FRAME, augmented, spectrum
from calibration.value import parts_at, value_of
from shared.analytes import ANALYTES
from shared.colour import delta_e_2000, reflectance_to_xyz, xyz_to_lab
from shared.errors import FileError
from shared.profile import PrintProfile
from tests import simulator
from tests.loops import some
from tests.simulator import INDICATORS, Array
from tests.synthetic import BENCH_LIGHTS, STRIP, shoot

#: Parts of a budget that are estimated from the scatter of standards.
SCATTER = ("strip repeatability", "surface reflection", "pad texture")


def true_lab(analyte: str, values: Array) -> Array:
    """CIELAB (n, 3) of the simulator's pads."""
    spectra = np.array([INDICATORS[analyte].reflectance(float(v))[::2] for v in values])
    return xyz_to_lab(reflectance_to_xyz(spectra, "D50"))


@pytest.mark.parametrize("analyte", INDICATORS)
def test_curve_passes_its_levels(curves: dict[str, Curve], analyte: str) -> None:
    """The pad's colour at each level: CIEDE2000 below 3, at half of them below 1.5 (the limit of three channels)."""
    levels = np.array(INDICATORS[analyte].levels)
    apart = delta_e_2000(curves[analyte].lab(levels), true_lab(analyte, levels))
    assert apart.max() < 3.0
    assert np.median(apart) < 1.5


@pytest.mark.parametrize("analyte", INDICATORS)
def test_curve_between_levels(curves: dict[str, Curve], analyte: str) -> None:
    """Half way between levels it is as good as at them: the scale is bent as the dye is."""
    levels = np.array(INDICATORS[analyte].levels)
    between = (levels[1:] + levels[:-1]) / 2
    assert delta_e_2000(curves[analyte].lab(between), true_lab(analyte, between)).max() < 3.0


def test_colours_err_as_much_as_is_stated(curves: dict[str, Curve]) -> None:
    """True colour in the curve's own covariance: chi-square of 3, over five curves at 17 places each.

    Errors along a curve are alike, so the mean is only held between a fifth and twice of 3.
    """
    found = []
    for analyte, curve in curves.items():
        for value in curve.scale.value(np.linspace(0.02, 0.98, 17)):
            off = curve.lab(value)[0] - true_lab(analyte, np.array([value]))[0]
            covariance = curve.lab_covariance(float(value)) + 0.01 * np.eye(3)
            found.append(float(off @ np.linalg.solve(covariance, off)))
    assert 0.2 < np.mean(found) / 3 < 2.0


def test_covariance_of_lab_agrees_with_draws(curves: dict[str, Curve]) -> None:
    """Linear propagation against 20 000 draws of the spectrum (JCGM 101); within 10 % of each standard deviation."""
    curve, rng = curves["hardness"], np.random.default_rng(0)
    for value in (20.0, 120.0, 300.0):
        position = float(curve.scale.position(value))
        at = int(np.argmin(np.abs(curve.grid - position)))
        draws = rng.multivariate_normal(curve.weights_at(np.array([position]))[0], curve.grid_covariance[at], 20_000)
        lab = xyz_to_lab(reflectance_to_xyz(augmented(draws) @ FRAME.T, "D50"))
        assert np.sqrt(np.diag(curve.lab_covariance(value))) == pytest.approx(lab.std(axis=0), rel=0.1)


def test_nodes_are_unchanged(curves: dict[str, Curve]) -> None:
    """Interpolation passes its nodes; triangles make whole covariances again, without negative variances."""
    for curve in some(curves.values()):
        assert curve.weights_at(curve.nodes) == pytest.approx(np.array(curve.weights), abs=1e-12)
        on_nodes = curve.grid_covariance[:: (len(curve.grid) - 1) // (len(curve.nodes) - 1)]
        assert np.array(lower_triangles(on_nodes)) == pytest.approx(np.array(curve.covariance), abs=1e-12)
        assert np.linalg.eigvalsh(on_nodes).min() > -1e-9
        assert spectrum(curve.grid_weights).min() > 0


def standards(
    profile: PrintProfile, analyte: str, levels: tuple[float, ...], *, seed: int, load_sd: float = simulator.LOAD_SD,
    repeats: int = 1,
) -> list[StandardObservation]:
    """Photographs of an analyte's levels under the bench's lights with one camera."""
    rng = np.random.default_rng(seed)
    camera, seen = simulator.camera(rng), []
    for step, value in enumerate(levels):
        for lamp in BENCH_LIGHTS * repeats:
            pad = shoot(camera, lamp, profile, rng).pad(analyte, value, rng, load_sd=load_sd)
            seen.append(StandardObservation(
                photo=f"{step}", standard=f"S{step}", light=lamp, value=value, u=0.005 * value, pad=pad))
    return seen


def test_scatter_of_dye_is_recognised(sample_profile: PrintProfile) -> None:
    """Strips of 6 % scatter against strips of none: the signals' scatter by strips, mirrored light and texture.

    The colour of one pad hardly separates dye from mirrored light, so the three count together: within a factor of
    1.6 of what 6 % of dye do to the signals, and below half of that where strips do not scatter.
    """
    indicator, stated = INDICATORS["alkalinity"], []
    shot = shoot(simulator.camera(np.random.default_rng(9)), "D65", sample_profile, np.random.default_rng(9))
    some, more = (shot.see("alkalinity", indicator.reflectance(70.0, load), np.random.default_rng(1))
                  for load in (0.97, 1.03))
    true = np.linalg.norm(more.signal - some.signal)
    for load_sd in (0.0, 0.06):
        curve = fitted("alkalinity", "mg/L CaCO3", standards(
            sample_profile, "alkalinity", indicator.levels, seed=5, load_sd=load_sd)).curve
        at = int(np.argmin(np.abs(curve.scale.value(curve.grid) - 70.0)))
        parts = parts_at(some, curve, Veil(0.0, curve.veil_sd), at)
        stated.append(np.sqrt(sum(np.trace(parts[name]) for name in SCATTER)))
    assert stated[0] < 0.5 * true
    assert true / 1.6 < stated[1] < true * 1.6


def test_more_photographs_make_the_curve_surer(sample_profile: PrintProfile) -> None:
    """Three of each instead of one: not by the root of three, since lights share their mismatch."""
    levels = INDICATORS["chloride"].levels[::2]
    few, many = (fitted("chloride", "mg/L Cl", standards(sample_profile, "chloride", levels, seed=6, repeats=n)).curve
                 for n in (1, 3))
    doubt = [np.median([np.sqrt(np.diag(c.lab_covariance(v))) for v in levels[1:-1]]) for c in (few, many)]
    assert 0.4 < doubt[1] / doubt[0] < 0.97


def test_too_few_levels_are_refused_with_the_number(sample_profile: PrintProfile) -> None:
    few = standards(sample_profile, "ph", INDICATORS["ph"].levels[: MIN_LEVELS - 1], seed=7)
    with pytest.raises(FileError, match=rf"too few levels .* found {MIN_LEVELS - 1} \(6, 6\.5, 7 pH\)"):
        fitted("ph", "pH", few)
    enough = standards(sample_profile, "ph", INDICATORS["ph"].levels[:MIN_LEVELS], seed=7)
    assert fitted("ph", "pH", enough).curve.scale.high == INDICATORS["ph"].levels[MIN_LEVELS - 1]


def test_certified_levels_are_read_back(curves: dict[str, Curve], sample_profile: PrintProfile) -> None:
    """Pads without scatter of dye at each level: of 48 intervals at most 6 miss, as more do once in 100 (binomial)."""
    rng = np.random.default_rng(8)
    missed = 0
    for analyte, indicator in INDICATORS.items():
        limits = ANALYTES[analyte].lower, ANALYTES[analyte].upper
        for value in indicator.levels:
            shot = shoot(simulator.camera(rng), "D65", sample_profile, rng)
            pad = shot.pad(analyte, value, rng, load_sd=0.0)
            got = value_of(pad, curves[analyte], STRIP.pad(analyte).chemistry, limits)
            missed += not got.low <= value <= got.high
    assert missed <= 6
