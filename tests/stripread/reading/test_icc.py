"""Embedded ICC profiles against Little CMS (by Pillow's ImageCms) and colour-science."""

import io

import colour
import numpy as np
import pytest
from PIL import Image, ImageCms

from shared.errors import PhotoError
from stripread.reading.icc import Space, colour_space
from tests import icc_profiles
from tests.icc_profiles import gamma_curve, matrix_profile, sampled_srgb_curve, srgb_curve

PROFILES = {
    "Display P3": icc_profiles.display_p3(),
    "Display P3 by table": matrix_profile("Display P3", sampled_srgb_curve()),
    "Adobe RGB (1998)": icc_profiles.adobe_rgb(),
    "ProPhoto RGB": matrix_profile("ProPhoto RGB", gamma_curve(1.80078125)),
    "sRGB primaries, gamma 2.2": matrix_profile("sRGB", gamma_curve(2.19921875)),
}
LITTLE_CMS_SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def space_of(profile: bytes) -> Space:
    space = colour_space(profile, "test")
    assert space is not None
    return space


@pytest.mark.parametrize("profile", PROFILES.values(), ids=PROFILES.keys())
def test_against_little_cms(profile: bytes) -> None:
    """Colours inside sRGB within 1.2 counts of an 8-bit transform, which rounds on its way and at its end."""
    counts = np.random.default_rng(0).integers(40, 216, (64, 64, 3)).astype(np.uint8)
    srgb = ImageCms.createProfile("sRGB")
    reference = ImageCms.profileToProfile(
        Image.fromarray(counts), ImageCms.ImageCmsProfile(io.BytesIO(profile)), srgb,
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC)
    wanted = np.asarray(reference).astype(float)
    inside = ((wanted > 2) & (wanted < 253)).all(axis=-1)
    got = space_of(profile).srgb_counts(counts.astype(np.float32))
    assert inside.mean() > 0.2
    assert np.abs(got - wanted)[inside].max() < 1.2


def test_display_p3_against_its_published_matrix() -> None:
    """Display P3 to sRGB, linear, by colour-science; P3's matrix: SMPTE EG 432-1, D65 (from memory)."""
    wanted = colour.matrix_RGB_to_RGB(colour.RGB_COLOURSPACES["Display P3"], colour.RGB_COLOURSPACES["sRGB"])
    assert space_of(PROFILES["Display P3"]).to_srgb == pytest.approx(wanted, abs=5e-4)
    p3 = colour.RGB_COLOURSPACES["Display P3"].matrix_RGB_to_XYZ
    published = [[0.48657095, 0.26566769, 0.19821729], [0.22897456, 0.69173852, 0.07928691],
                 [0.0, 0.04511338, 1.04394437]]
    assert p3 == pytest.approx(np.array(published), abs=5e-5)


def test_curves_against_colour_science() -> None:
    levels = np.linspace(0, 1, 256)
    for profile in ("Display P3", "Display P3 by table"):
        assert space_of(PROFILES[profile]).curves[:, 0] == pytest.approx(colour.models.eotf_sRGB(levels), abs=2e-5)
    assert space_of(PROFILES["Adobe RGB (1998)"]).curves[:, 1] == pytest.approx(levels**2.19921875, abs=1e-9)


def test_white_and_greys_are_unchanged() -> None:
    greys = np.repeat(np.arange(0, 256, 15, dtype=np.float32)[:, None], 3, axis=1)
    assert space_of(PROFILES["Display P3"]).srgb_counts(greys) == pytest.approx(greys, abs=0.15)


def test_srgb_needs_no_conversion() -> None:
    """By any writer: Little CMS, or its numbers by hand, as formula and as table."""
    by_hand = (matrix_profile("sRGB", curve) for curve in (srgb_curve(), sampled_srgb_curve()))
    for profile in (LITTLE_CMS_SRGB, *by_hand):
        assert colour_space(profile, "test") is None


def test_colours_outside_srgb_count_as_clipped() -> None:
    """The green primary of Display P3 has negative red in sRGB (IEC 61966-2-1 has no such colour)."""
    red, green, _ = space_of(PROFILES["Display P3"]).srgb_counts(np.array([0, 255, 0], dtype=np.float32))
    assert red < 0
    assert green >= 255


@pytest.mark.parametrize("keep", [0, 64, 131, 200, 330])
def test_a_damaged_profile_is_not_a_refusal_of_the_photograph(keep: int) -> None:
    with pytest.raises(ValueError, match="the profile") as damaged:
        colour_space(PROFILES["Display P3"][:keep], "test")
    assert not isinstance(damaged.value, PhotoError)


@pytest.mark.parametrize("curve", [
    icc_profiles.parametric(0, -1.0), icc_profiles.parametric(1, 2.4, 0.0, 0.0),
    icc_profiles.parametric(4, 1.0, -1.0, 1.0, 0.0, 0.0, 0.0, 0.0), gamma_curve(0.0)])
def test_curves_that_no_display_has_are_invalid(curve: bytes) -> None:
    """Of negative gamma, divided by zero, falling, and flat."""
    with pytest.raises(ValueError, match="the profile's curves"):
        colour_space(matrix_profile("Display P3", curve), "test")


def test_table_profile_is_refused_with_the_reason() -> None:
    """A profile without curves and colorants cannot be undone channel by channel."""
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    with pytest.raises(PhotoError, match="no tone curves"):
        colour_space(lab, "photo.jpg")
