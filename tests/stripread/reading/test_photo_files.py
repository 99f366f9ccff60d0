"""A file that is not a photograph is rejected with one message: what is wrong, where, and what to do."""

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from shared.errors import PhotoError
from stripread.reading.photo import MAX_PIXELS, MIN_PIXELS, decode
from stripread.reading.photo_file import load_photo
from tests.photographs import Picture, file_of
from tests.reader import Reader

HEIC = Path(__file__).parents[2] / "data" / "check-standard-p3.heic"


def png_of_size(width: int, height: int) -> bytes:
    """A PNG whose header states that many pixels (PNG 3rd ed., 11.2.1) and whose data do not contain them."""
    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
            + chunk(b"IEND", b""))


def animation(kind: str) -> bytes:
    out = io.BytesIO()
    still = Image.new("RGB", (640, 480))
    still.save(out, kind, save_all=True, append_images=[Image.new("RGB", (640, 480), "red")])
    return out.getvalue()


def flat(mode: str, kind: str) -> bytes:
    return file_of(Image.new("RGB", (640, 480)).convert(mode), kind)


REFUSED = {
    "empty": (b"", "empty"),
    "text": (b"photo of a strip, honestly\n" * 40, "not a photograph in a supported format"),
    "zeros": (b"\0" * 4096, "not a photograph in a supported format"),
    "a format that is not read": (flat("RGB", "BMP"), "not a photograph in a supported format"),
    "100 megapixels": (png_of_size(10_000, 10_000), "10000 x 10000"),
    "1.6 gigapixels": (png_of_size(40_000, 40_000), "too many pixels"),
    "too few pixels": (png_of_size(400, 300), "400 x 300"),
    "pixels missing": (png_of_size(1000, 800), "damaged"),
    "greyscale JPEG": (flat("L", "JPEG"), "greyscale"),
    "greyscale PNG, 16 bit": (file_of(Image.fromarray(np.zeros((480, 640), np.uint16)), "PNG"), "greyscale"),
    "greyscale with alpha": (flat("LA", "PNG"), "greyscale"),
    "black and white": (flat("1", "TIFF"), "black and white"),
    "CMYK JPEG": (flat("CMYK", "JPEG"), "CMYK"),
    "CMYK TIFF": (flat("CMYK", "TIFF"), "CMYK"),
    "CIELAB TIFF": (flat("LAB", "TIFF"), "LAB"),
    "palette": (flat("P", "PNG"), "palette"),
    "animated PNG": (animation("PNG"), "more than one frame"),
    "animated WebP": (animation("WEBP"), "more than one frame"),
    "pages in a TIFF": (animation("TIFF"), "more than one frame"),
    "HEIC by name only": (b"\0\0\0\x18ftypheic" + b"\0" * 500, "HEIC file is damaged"),
}


@pytest.mark.parametrize(("data", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_refused_with_the_reason(data: bytes, says: str) -> None:
    with pytest.raises(PhotoError) as refused:
        decode(data, "in/the/folder.jpg")
    assert says in str(refused.value)
    assert str(refused.value).startswith("in/the/folder.jpg: ")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.97])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "TIFF LZW", "WebP", "HEIC", "a phone's JPEG"])
def test_cut_short(good: Picture, good_file: Path, kind: str, share: float) -> None:
    """No part of a picture is taken for the whole, however late it breaks off."""
    files: dict[str, Callable[[], bytes]] = {
        "JPEG": lambda: file_of(good.pixels, "JPEG", quality=90), "PNG": lambda: file_of(good.pixels, "PNG"),
        "TIFF": lambda: file_of(good.pixels, "TIFF"), "a phone's JPEG": good_file.read_bytes, "HEIC": HEIC.read_bytes,
        "TIFF LZW": lambda: file_of(good.pixels, "TIFF", compression="tiff_lzw"),
        "WebP": lambda: file_of(good.pixels, "WEBP", quality=90),
    }
    whole = files[kind]()
    with pytest.raises(PhotoError):
        decode(whole[: int(share * len(whole))], "cut.jpg")


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    missing = tmp_path / "not-there.jpg"
    for path, says in ((missing, "there is no such file; check the path"), (tmp_path, "cannot be read")):
        with pytest.raises(PhotoError, match=says):
            load_photo(path)


def test_borders_of_size() -> None:
    """Half a megapixel and fifty are between them; the borders themselves are allowed."""
    assert MIN_PIXELS < 500_000
    assert MAX_PIXELS > 50_000_000
    assert decode(file_of(Image.new("RGB", (500, MIN_PIXELS // 500)), "PNG"), "small.png").pixels.shape == (400, 500, 3)
    with pytest.raises(PhotoError, match="out of range"):
        decode(file_of(Image.new("RGB", (500, MIN_PIXELS // 500 - 1)), "PNG"), "small.png")


@pytest.mark.parametrize(("text", "taken"), [
    ("2026:03:02 21:57:00", "2026-03-02T21:57:00"), ("2026:03:02 21:57:00\0", "2026-03-02T21:57:00"),
    ("0000:00:00 00:00:00", None), ("    :  :     :  :  ", None), ("2026:02:30 21:57:00", None), ("", None)])
def test_a_time_of_exposure_is_one_of_the_calendar(good: Picture, text: str, taken: str | None) -> None:
    """Exif 2.32, DateTimeOriginal: where the time is unknown, blanks replace its digits; some write zeros."""
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = text
    assert decode(file_of(good.pixels, "JPEG", exif=exif), "a.jpg").taken == taken


def test_the_name_of_a_camera_is_one_line(good: Picture) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "Fernrohr\0\0", "Nachtigall\x07 3\n "
    assert decode(file_of(good.pixels, "JPEG", exif=exif), "a.jpg").camera == "Fernrohr Nachtigall 3"


def test_rubbish_in_exif_costs_no_photograph(good: Picture) -> None:
    """Some bytes of the EXIF block changed: the picture is decoded, turned or not, and nothing is raised or warned."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "invented", "phone-x"
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = "2026:03:02 21:57:00"
    whole = file_of(good.pixels, "JPEG", exif=exif)
    start = whole.index(b"Exif\0\0") + 6
    end = start + int.from_bytes(whole[start - 8 : start - 6]) - 8  # the segment's length is before its name
    rng = np.random.default_rng(0)
    for _ in range(40):
        data = bytearray(whole)
        for place in rng.integers(start, end, 6):
            data[place] = int(rng.integers(0, 256))
        assert sorted(decode(bytes(data), "odd.jpg").pixels.shape) == [3, 825, 1100]


def test_rubbish_between_good_header_and_end_gives_no_value(reader: Reader, good_file: Path) -> None:
    """Bytes changed inside a JPEG: refused as a file or as a photograph, or read as what is left; never a traceback."""
    data = bytearray(good_file.read_bytes())
    data[3000:-2] = np.random.default_rng(0).integers(0, 255, len(data) - 3002).astype(np.uint8).tobytes()
    try:
        reading = reader.read(bytes(data))
    except PhotoError:
        return
    assert reading.status == "no-result"
    assert not reading.values()
