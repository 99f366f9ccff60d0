"""The frame of smooth spectra against scipy, colour-science and Kubelka and Munk."""

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.fft import dct

from calibration.reflectance import COSINES, PRIOR_MEAN, XYZ_FRAME, augmented, load_derivative, spectrum
from tests.simulator import INDICATORS, Array


def weights_of(reflectance: Array) -> Array:
    """Coefficients (..., 12) of spectra (..., 31): least squares."""
    return (reflectance - PRIOR_MEAN) @ np.linalg.pinv(COSINES).T


def test_cosines_are_those_of_the_discrete_cosine_transform() -> None:
    """Scipy's DCT-II of a cosine of the frame has one coefficient, its own."""
    for k, cosine in enumerate(COSINES.T):
        coefficients = dct(cosine, type=2, norm="ortho")
        assert np.flatnonzero(np.abs(coefficients) > 1e-9).tolist() == [k]


def test_xyz_against_colour_science() -> None:
    """Pads under D50, 2 degrees, by the other library's integration every 5 nm, within 2e-3 of white's Y."""
    shape = colour.SpectralShape(400, 700, 5)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    light = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
    for indicator in INDICATORS.values():
        middle = indicator.reflectance((indicator.levels[0] + indicator.levels[-1]) / 2)
        pad = colour.SpectralDistribution(middle, shape.wavelengths)
        reference = colour.sd_to_XYZ(pad, observer, light, method="Integration") / 100
        assert XYZ_FRAME @ augmented(weights_of(middle[::2])) == pytest.approx(reference, abs=2e-3)


@given(analyte=st.sampled_from(sorted(INDICATORS)), share=st.floats(0.0, 1.0))
def test_load_derivative_is_that_of_kubelka_and_munk(analyte: str, share: float) -> None:
    """A pad with 1 % more dye by the simulator's own K/S; 31 points in 12 cosines leave some 0.002 of white."""
    indicator = INDICATORS[analyte]
    value = indicator.levels[0] + share * (indicator.levels[-1] - indicator.levels[0])
    more, less = (indicator.reflectance(value, load)[::2] for load in (1.005, 0.995))
    slope = COSINES @ load_derivative(weights_of(indicator.reflectance(value)[::2]))
    assert slope == pytest.approx((more - less) / 0.01, abs=0.015)


@given(st.lists(st.floats(-2.0, 2.0), min_size=12, max_size=12))
def test_spectra_remain_physical(weights: list[float]) -> None:
    reflectance = spectrum(np.array(weights))
    assert reflectance.min() > 0
    assert reflectance.max() <= 1
    assert np.isfinite(load_derivative(np.array(weights))).all()
