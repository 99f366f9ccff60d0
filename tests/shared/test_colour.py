"""Colour against the published CIEDE2000 pairs, scikit-image and colour-science."""

from pathlib import Path

import colour as reference
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from skimage import color as skimage_color

from shared import colour
from shared.colour import Array

SHARMA = np.loadtxt(Path(__file__).parents[1] / "data" / "ciede2000-sharma.csv", delimiter=",")
#: Pairs on the edge where the mean hue flips, and the value on the edge's other side (pairs 11 and 15).
ON_THE_EDGE = {10: 7.2195, 14: 4.7461}
RNG = np.random.default_rng(20)

encoded = arrays(np.float64, 3, elements=st.floats(0.0, 1.0))
labs = arrays(np.float64, 3, elements=st.floats(-100.0, 100.0)).map(lambda v: np.abs(v) * [1, 0, 0] + v * [0, 1, 1])


@pytest.mark.parametrize("row", SHARMA, ids=lambda row: f"pair-{row[0]:.0f}")
def test_ciede2000_of_sharma_wu_dalal(row: Array) -> None:
    both_ways = [colour.delta_e_2000(row[1:4], row[4:7]), colour.delta_e_2000(row[4:7], row[1:4])]
    allowed = [row[7], ON_THE_EDGE.get(int(row[0]), row[7])]
    assert all(any(abs(d - a) < 0.5001e-4 for a in allowed) for d in both_ways)


def test_ciede2000_against_scikit_image() -> None:
    one, other = (RNG.uniform([0, -120, -120], [100, 120, 120], (20_000, 3)) for _ in range(2))
    theirs = skimage_color.deltaE_ciede2000(one, other)  # type: ignore[no-untyped-call]
    assert colour.delta_e_2000(one, other) == pytest.approx(theirs, abs=1e-10)


def test_srgb_against_scikit_image_and_colour_science() -> None:
    """IEC 61966-2-1 at every 8-bit level, and the D65 matrix adapted to D50 by Bradford.

    The references state D50 as (0.3457, 0.3585); ours is that of ASTM E308, 2e-5 away in Z.
    """
    levels = np.arange(256) / 255.0
    assert colour.srgb_decode(levels) == pytest.approx(reference.models.eotf_sRGB(levels), abs=1e-12)
    rgb, white = np.column_stack([levels, levels[::-1], levels**2]), np.array([0.3457, 0.3585])
    xyz = reference.sRGB_to_XYZ(rgb, illuminant=white, chromatic_adaptation_transform="Bradford")
    assert np.abs(colour.srgb_to_lab(rgb) - reference.XYZ_to_Lab(xyz, white)).max() < 0.011


def test_lab_against_scikit_image_and_colour_science() -> None:
    """Both relative to their white: scikit-image's D50 is (0.96421, 1, 0.82519), ours that of ASTM E308."""
    xyz = RNG.uniform(0.0, 1.0, (5000, 3)) ** 3
    lab = colour.xyz_to_lab(xyz)
    assert lab == pytest.approx(reference.XYZ_to_Lab(xyz, reference.XYZ_to_xy(colour.D50)), abs=1e-9)
    white = skimage_color.xyz_tristimulus_values(illuminant="D50", observer="2")  # type: ignore[no-untyped-call]
    # scikit-image rounds the constants 0.008856 and 7.787 of the straight part.
    assert np.abs(lab - skimage_color.xyz2lab(xyz / colour.D50 * white, illuminant="D50", observer="2")).max() < 2e-3


def test_white_is_white() -> None:
    assert colour.xyz_to_lab(colour.D50) == pytest.approx([100, 0, 0], abs=1e-12)
    assert colour.srgb_to_lab(np.ones(3)) == pytest.approx([100, 0, 0], abs=1e-9)


@given(labs)
def test_lab_there_and_back(lab: Array) -> None:
    assert colour.xyz_to_lab(colour.lab_to_xyz(lab)) == pytest.approx(lab, abs=1e-8)


@given(encoded)
def test_srgb_there_and_back(rgb: Array) -> None:
    assert colour.srgb_encode(colour.srgb_decode(rgb)) == pytest.approx(rgb, abs=1e-6)
    assert colour.lab_to_srgb(colour.srgb_to_lab(rgb)) == pytest.approx(rgb, abs=1e-6)


@pytest.mark.parametrize("xyz", [[0.2, 0.3, 0.1], [0.9, 1.0, 0.8], [0.002, 0.001, 0.003], [0.4, 0.004, 0.0001]])
def test_jacobian_against_differences(xyz: list[float]) -> None:
    at, step = np.array(xyz), 1e-7
    numeric = np.column_stack([
        (colour.xyz_to_lab(at + step * e) - colour.xyz_to_lab(at - step * e)) / (2 * step) for e in np.eye(3)
    ])
    assert colour.xyz_to_lab_jacobian(at) == pytest.approx(numeric, rel=1e-5, abs=1e-5)


def test_jacobian_carries_a_covariance_as_draws_do() -> None:
    """JCGM 101: 200 000 draws, standard deviations within 1 %."""
    xyz, sd = np.array([0.31, 0.28, 0.12]), np.array([0.004, 0.003, 0.002])
    drawn = colour.xyz_to_lab(xyz + RNG.standard_normal((200_000, 3)) * sd)
    jacobian = colour.xyz_to_lab_jacobian(xyz)
    assert np.sqrt(np.diag(jacobian @ np.diag(sd**2) @ jacobian.T)) == pytest.approx(drawn.std(axis=0), rel=0.01)
