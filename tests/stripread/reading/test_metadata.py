"""Sound pixels with invalid metadata: the photograph is decoded, and what was invalid is ignored and noted."""

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from shared.errors import PhotoError
from stripread.reading.metadata import UNKNOWN_CODING, coding_covariance
from stripread.reading.photo import decode
from tests import icc_profiles
from tests.hostile import metadata, pictures
from tests.loops import some
from tests.photographs import file_of

CASES = dict(metadata.cases())
#: Luma, Cb and Cr of red, green and blue (ITU-T T.871).
TO_YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])
#: An animation without frames is a fault of the picture itself.
REFUSED = {"PNG, acTL of no frames"}


@pytest.mark.parametrize("name", sorted(CASES.keys() - REFUSED))
def test_invalid_metadata_cost_no_photograph(name: str) -> None:
    photo = decode(CASES[name], "a/photograph")
    upright = photo.pixels.shape[:2] if photo.pixels.shape[0] < photo.pixels.shape[1] else photo.pixels.shape[1::-1]
    assert upright == pictures.scene().shape[:2]
    assert photo.taken is None or 1970 <= int(photo.taken[:4]) <= 9998
    if photo.space is not None:
        grey = photo.space.srgb_counts(np.array([[0.0] * 3, [128.0] * 3, [255.0] * 3], dtype=np.float32))
        assert np.isfinite(grey).all()


@pytest.mark.parametrize(("name", "part"), [
    ("date '0001:01:01 00:00:00'", "time of exposure"), ("date '2031:02:30 10:00:00'", "time of exposure"),
    ("PNG, no TIFF", "EXIF"), ("JPEG, signed Exif offset", "time of exposure"),
    ("PNG, zTXt bomb", "text or header fields"),
    ("PNG, curve gamma -1.0", "colour profile"), ("JPEG, curve divided by zero", "colour profile")])
def test_what_was_ignored_is_noted(name: str, part: str) -> None:
    assert decode(CASES[name], "a.png").ignored == (part,)


def test_sound_metadata_are_not_ignored() -> None:
    """Camera, time and profile of each sound source; times and names as written into it."""
    for kind in pictures.FORMATS:
        for data in some(pictures.sound(kind)):
            assert decode(data, "sound").ignored == ()
    photo = decode(pictures.sound("JPEG")[0], "sound.jpg")
    assert (photo.taken, photo.camera) == ("2031-05-04T09:30:00", "invented phone-x")
    assert photo.space is not None


def test_exif_after_the_pixels_of_a_png_is_found() -> None:
    """PNG 3rd edition, 11.3.4.5: eXIf may come anywhere between IHDR and IEND."""
    block = metadata.tiff([(0x010F, 2, 9, b"invented\0")])
    ahead = metadata.png((b"eXIf", block))
    at, end = ahead.index(b"eXIf") - 4, ahead.index(b"eXIf") + 8 + len(block)
    behind = ahead[:at] + ahead[end:-12] + ahead[at:end] + ahead[-12:]
    assert decode(behind, "a.png").camera == decode(ahead, "a.png").camera == "invented"


def test_an_applied_profile_is_still_refused_where_it_converts_by_tables() -> None:
    """Only invalid profiles are ignored: one that is sound and cannot be applied would give wrong colours."""
    from PIL import ImageCms

    tables = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    with pytest.raises(PhotoError, match="no tone curves"):
        decode(file_of(Image.fromarray(pictures.scene()), "JPEG", icc_profile=tables), "a.jpg")
    p3 = decode(file_of(Image.fromarray(pictures.scene()), "JPEG", icc_profile=icc_profiles.display_p3()), "a.jpg")
    assert p3.space is not None


@pytest.mark.parametrize("number", range(0, pictures.ALL, 20))
def test_a_mutated_picture_is_decoded_or_refused(number: int) -> None:
    """A twentieth of the corpus; the whole of it runs in `make soak`."""
    name, data = pictures.mutated(number)
    try:
        photo = decode(data, name)
    except PhotoError as refused:
        assert refused.what  # noqa: PT017 - it need not be refused
    else:
        assert photo.pixels.ndim == 3


@pytest.mark.parametrize("subsampling", ["4:4:4", "4:2:0"])
@pytest.mark.parametrize("quality", [60, 75, 85, 92, 95])
def test_even_areas_are_coded_as_exactly_as_stated(quality: int, subsampling: str) -> None:
    """Second way: areas of known colours through Pillow's coder, with pixels that scatter by half a count to two.

    The error of their means, of luma and of chroma over areas, is what is stated where pixels scatter by a count;
    smoother ones are rounded alike, up to a quarter more, and noise averages it, to a quarter at least. Of 54 areas the
    share has a standard error of a tenth.
    """
    rng = np.random.default_rng(quality)
    found = {sd: _errors_of_areas(quality, subsampling, sd, rng) for sd in (0.5, 1.0, 2.0)}
    for part in (slice(0, 1), slice(1, 3)):
        share = {sd: float(np.sqrt(np.mean((error @ TO_YCC.T)[:, part] ** 2) / np.mean(np.square(stated[part]))))
                 for sd, (error, stated) in found.items()}
        assert 0.5 < share[1.0] < 1.3
        assert share[0.5] < 1.7
        assert 0.2 < share[2.0] < 1.25
    whole = {sd: float(np.sqrt(np.mean(error**2) / np.mean(np.diag(coding_covariance(stated)))))
             for sd, (error, stated) in found.items()}
    assert 0.5 < whole[1.0] < 1.15
    assert whole[0.5] < 1.3
    assert 0.25 < whole[2.0] < 1.15


def test_coding_errors_of_colours_depend_on_one_another() -> None:
    """Errors of chroma move red against green: the covariance of 540 areas is the stated one, to 0.2 of variances."""
    rng = np.random.default_rng(75)
    found = [_errors_of_areas(75, "4:2:0", 1.0, rng) for _ in range(10)]
    observed, stated = np.cov(np.vstack([error for error, _ in found]).T), coding_covariance(found[0][1])
    assert stated[0, 1] < 0
    scale = np.sqrt(np.diag(stated))
    assert observed / np.outer(scale, scale) == pytest.approx(stated / np.outer(scale, scale), abs=0.2)


def _errors_of_areas(quality: int, subsampling: str, sd: float, rng: np.random.Generator
                     ) -> tuple[np.ndarray, tuple[float, float, float]]:
    """Errors (54, 3) of the means of areas, counts, as decoded; and what the reader states."""
    side = 64
    true = np.kron(rng.uniform(30, 225, (6, 9, 3)), np.ones((side, side, 1)))
    true = true + rng.normal(0, sd, true.shape)
    photo = decode(_jpeg(true, quality, subsampling), "areas.jpg")
    off = photo.pixels[..., ::-1] - true
    middles = off.reshape(6, side, 9, side, 3)[:, 13:51, :, 13:51]
    return middles.mean(axis=(1, 3)).reshape(-1, 3), photo.coding_u


def _jpeg(pixels: np.ndarray, quality: int, subsampling: str) -> bytes:
    out = BytesIO()
    Image.fromarray(np.rint(pixels).astype(np.uint8)).save(out, "JPEG", quality=quality, subsampling=subsampling)
    return out.getvalue()


def test_coding_of_other_files() -> None:
    """Of other coders' steps nothing is known, and cameras write no PNG: it was a JPEG before."""
    grey = Image.fromarray(np.full((500, 500, 3), 128, np.uint8))
    for kind in ("PNG", "WEBP"):
        assert decode(file_of(grey, kind), f"a.{kind.lower()}").coding_u == UNKNOWN_CODING
