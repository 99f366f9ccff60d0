"""Colorimetry of reports against published values, and against this project's own colour code."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from shared.colour import delta_e_2000, reflectance_to_xyz, xyz_to_lab
from shared.profile import PrintProfile, read_profile
from stripread.report.chart_page import blur_of, difference_map, pixel_lab
from stripread.report.colorimetry import lamp_colour, spectral_colours

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def profile() -> PrintProfile:
    return read_profile(ROOT / "sample_images" / "card-run-007.txt")


@pytest.mark.parametrize(("illuminant", "cct_k"), [
    ("A", 2856), ("D65", 6504), ("FL2", 4230), ("FL11", 4000), ("FL3.10", 5000), ("LED-B2", 2998), ("LED-B5", 6598),
    ("LED-RGB1", 2840),
])
def test_colour_temperatures_are_those_of_cie_15(illuminant: str, cct_k: float) -> None:
    """CIE 15:2018, tables of illuminants, from memory; FL2 is given to 10 K."""
    assert lamp_colour(illuminant).cct_k == pytest.approx(cct_k, abs=6)


def test_reference_illuminants_have_full_fidelity_and_their_duv() -> None:
    """CIE 224:2017: Rf of a reference is 100. D65 lies 0.0032 above the locus (ANSI C78.377), A on it; from memory."""
    assert [lamp_colour(name).fidelity for name in ("A", "D65")] == pytest.approx([100, 100], abs=0.5)
    assert [lamp_colour(name).duv for name in ("A", "D65")] == pytest.approx([0.0, 0.0032], abs=2e-4)
    assert lamp_colour("FL2").fidelity < lamp_colour("FL3.10").fidelity < 90


def test_spectra_have_the_colours_of_our_own_tables(profile: PrintProfile) -> None:
    """Both integrate by ASTM E308 in different steps: within 0.1 CIEDE2000."""
    found = spectral_colours(profile)
    assert found is not None
    assert profile.spectra is not None
    assert profile.wavelengths is not None
    own = reflectance_to_xyz(profile.spectra, "D50", wavelengths_nm=profile.wavelengths)
    assert found.xyz / 100 == pytest.approx(own, abs=1e-3)
    assert delta_e_2000(found.lab, xyz_to_lab(own)).max() < 0.1
    assert found.delta_e == pytest.approx(delta_e_2000(found.lab, profile.lab), abs=1e-9)


def test_a_profile_without_spectra_has_no_spectral_colours(profile: PrintProfile) -> None:
    assert spectral_colours(PrintProfile(run=7, ids=profile.ids, lab=profile.lab)) is None


def test_a_map_shows_the_pixels_that_differ() -> None:
    """An even pad has no difference from its own colour; a stained quarter has, by the CIEDE2000 of our own code."""
    crop = np.full((48, 48, 3), (180, 120, 90), np.uint8)
    measured = np.array([55.0, 20.0, 25.0])
    assert difference_map(pixel_lab(crop, measured), measured).max() < 1e-6
    crop[:10, :10] = (120, 60, 40)
    lab = pixel_lab(crop, measured)
    assert lab[24, 24] == pytest.approx(measured)
    found = difference_map(lab, measured)
    assert found == pytest.approx(delta_e_2000(lab, measured), abs=1e-9)
    assert found[5, 5] > 10 > found[24, 24]


def test_a_picture_that_is_smoothed_more_is_less_sharp() -> None:
    sharp = np.random.default_rng(1).integers(0, 255, (48, 48, 3), dtype=np.uint8)
    blurs = [blur_of(np.asarray(cv2.blur(sharp, (side, side)), np.uint8)) for side in (1, 3, 7)]
    assert blurs == sorted(blurs)
    assert blurs[0] < blurs[-1]


def test_an_evaluation_imports_neither_library() -> None:
    code = ("import sys; import stripread.cli.read, stripread.reading.read, stripread.report.calibration_text; "
            "print({'colour', 'skimage', 'scipy'} & set(sys.modules))")
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                          cwd=ROOT).stdout == "set()\n"
