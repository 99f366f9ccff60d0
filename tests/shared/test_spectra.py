"""Spectra against the published white points of CIE 15 and against colour-science's ASTM E308."""

import csv
from pathlib import Path

import colour as reference
import numpy as np
import pytest
from numpy.typing import NDArray

from shared import colour
from shared.colour import D50, Array, xyz_to_lab

DATA = Path(__file__).parents[1] / "data"
TABLES = reference.SpectralShape(380, 780, 5)
OBSERVER = reference.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(TABLES)


def published_whites() -> list[tuple[str, float, float]]:
    lines = (DATA / "cie15-white-points.csv").read_text().splitlines()
    return [(name, float(x), float(y)) for name, x, y in csv.reader(li for li in lines if not li.startswith("#"))]


def test_every_illuminant_has_a_published_white() -> None:
    assert {name for name, _, _ in published_whites()} == set(colour.illuminant_names())


@pytest.mark.parametrize(("name", "x", "y"), published_whites(), ids=lambda v: v if isinstance(v, str) else "")
def test_white_point_is_the_published_one(name: str, x: float, y: float) -> None:
    """CIE 15:2018, 2 degrees, printed to four or five decimals."""
    white = colour.reflectance_to_xyz(np.ones(31), name)
    assert white[:2] / white.sum() == pytest.approx([x, y], abs=6e-5)


def test_d50_white_is_the_white_of_lab() -> None:
    assert colour.reflectance_to_xyz(np.ones(31), "D50") == pytest.approx(D50, abs=1e-4)


def smooth_reflectance(nm: NDArray[np.floating]) -> Array:
    """A dye-like band and an edge, flat beyond 400 and 700 nm as ASTM E308 assumes of what is not measured."""
    at = np.clip(nm, 400, 700)
    band, edge = np.exp(-(((at - 530) / 45) ** 2)), 1 / (1 + np.exp(-(at - 610) / 15))
    return np.asarray(0.75 - 0.5 * band + 0.15 * edge)


@pytest.mark.parametrize("step", [5, 10, 20])
@pytest.mark.parametrize("name", ["D50", "D65", "A", "FL2", "FL11", "LED-B3"])
def test_reflectance_against_colour_science(name: str, step: int) -> None:
    """The reference knows the reflectance every 5 nm, as the tables are; ours interpolates what is coarser."""
    reflectance = reference.SpectralDistribution(smooth_reflectance(TABLES.wavelengths), TABLES.wavelengths)
    lamp = reference.SDS_ILLUMINANTS[name].copy().trim(TABLES)
    theirs = reference.sd_to_XYZ(reflectance, OBSERVER, lamp, method="Integration") / 100
    measured = np.arange(400.0, 701.0, step)
    ours = colour.reflectance_to_xyz(smooth_reflectance(measured), name, wavelengths_nm=measured)
    assert np.abs(xyz_to_lab(ours) - xyz_to_lab(theirs)).max() < {5: 1e-9, 10: 0.05, 20: 0.5}[step]


@pytest.mark.parametrize("name", colour.illuminant_names())
def test_lamps_keep_their_energy_at_10_nm(name: str) -> None:
    """The share of the band's energy from 495 to 605 nm, by the trapezoidal rule over colour-science's table."""
    power, table = colour.load_illuminants()[name], reference.SDS_ILLUMINANTS[name]
    band, whole = ([table[float(nm)] for nm in range(*ends, 5)] for ends in ((495, 606), (395, 706)))
    assert power.mean() == pytest.approx(1.0)
    assert power[10:21].sum() / power.sum() == pytest.approx(np.trapezoid(band) / np.trapezoid(whole), rel=1e-9)


def test_interpolation_is_exact_for_cubics_and_constant_beyond_the_ends() -> None:
    given, wanted = np.arange(400.0, 701.0, 20.0), np.array([390.0, 425.0, 557.0, 666.6, 720.0])
    cubic = np.polynomial.Polynomial([1.0, -2.0, 0.5, 3.0], domain=[400, 700], window=[-1, 1])
    result = colour.interpolation(given, wanted) @ cubic(given)
    assert result == pytest.approx(cubic(np.clip(wanted, 400, 700)), rel=1e-9)


def test_unknown_illuminant_names_those_there_are() -> None:
    with pytest.raises(KeyError, match="LED-RGB1"):
        colour.xyz_weights("D93")
