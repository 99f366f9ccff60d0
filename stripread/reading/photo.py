"""A photograph file to pixels: checked before it is decoded, decoded once, upright, no larger than needed."""

from __future__ import annotations

import hashlib
import io
import os
import warnings
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", str(120_000_000))

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile
from PIL.WebPImagePlugin import WebPImageFile

from shared.errors import PhotoError
from stripread.reading import metadata
from stripread.reading.icc import Space
from stripread.reading.metadata import UNKNOWN_CODING, Channels, metadata_of

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8] | NDArray[np.uint16]

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
#: Imported above, since Pillow knows a format only once its plugin is loaded; MPO is opened as a JPEG.
_FORMATS = [kind.format for kind in (JpegImageFile, PngImageFile, TiffImageFile, WebPImageFile)]
MIN_PIXELS, MAX_PIXELS = 200_000, 64_000_000
#: A photograph whose longer side has as many pixels is large: it is brought down by halvings while decoding.
LARGE_PX = 3500
#: Pixels that its longer side has at least after that: where people look at it, 8 px/mm on a card that fills 2/3; where
#: it is measured, as fine as a view of the card is sampled; all of them.
SHOWN_PX, MEASURED_PX, WHOLE_PX = 1750, 1000, MAX_PIXELS
_REDUCED = {1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4,
            8: cv2.IMREAD_REDUCED_COLOR_8}


@dataclass(frozen=True, slots=True)
class Photo:
    """An upright photograph.

    ``pixels`` (h, w, 3), blue, green, red, 8 or 16 bit. ``shrink``: pixels of the upright original per
    decoded pixel. ``space``: that of the embedded profile, None for sRGB. ``taken`` and ``camera`` from EXIF.
    ``ignored``: parts of the file's metadata that are invalid. ``coding_u``: standard deviations by which the file's
    coding misses luma, Cb and Cr of an even area's mean, in counts of 255.
    """

    name: str
    pixels: Pixels
    shrink: float
    space: Space | None
    sha256: str
    taken: str | None
    camera: str | None
    ignored: tuple[str, ...] = ()
    coding_u: Channels = UNKNOWN_CODING

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in decoded pixels."""
        height, width = self.pixels.shape[:2]
        return width, height

    @property
    def full_scale(self) -> float:
        """The largest value a pixel can take."""
        return 65535.0 if self.pixels.dtype == np.uint16 else 255.0

    def pixels_sha256(self) -> str:
        """Hash of every fourth row of the decoded pixels: distinguishes a change of decoder from all other changes."""
        digest = hashlib.sha256(str(self.pixels.shape).encode())
        digest.update(np.ascontiguousarray(self.pixels[::4]).data)
        return digest.hexdigest()


def decode(data: bytes, where: str, least_px: int = SHOWN_PX) -> Photo:
    """Decode the bytes of a photograph; ``where`` names it in messages. Raises PhotoError.

    ``least_px``: pixels that the longer side of a large photograph has at least in the result.
    """
    with warnings.catch_warnings():
        # What Pillow warns of, many pixels and damaged EXIF, is refused below or does without.
        warnings.simplefilter("ignore")
        return _decoded(data, where, least_px)


def _decoded(data: bytes, where: str, least_px: int) -> Photo:
    if not data:
        raise PhotoError("the file is empty", where=where, remedy="copy the photograph again")
    heic = data[4:12] in (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftypmsf1", b"ftyphevc")
    header, plain = _heic_header(data, where) if heic else _header(data, where)
    width, height = header.size
    _check_size(width, height, where)
    _check_mode(header, where)
    shrink = _shrink(max(width, height), least_px)
    pixels = _heic_pixels(header, shrink) if heic else _pixels(plain, shrink, where)
    exif = metadata_of(header, metadata.exif_block(data) if metadata.is_png(data) else None, where)
    return Photo(
        name=Path(where).name, pixels=pixels, shrink=max(width, height) / max(pixels.shape[:2]),
        space=exif.space, sha256=hashlib.sha256(data).hexdigest(), taken=exif.taken, camera=exif.camera,
        ignored=exif.ignored if plain is data else ("text or header fields", *exif.ignored), coding_u=exif.coding_u)


def _shrink(longer_px: int, least_px: int) -> int:
    """How many pixels of the original, a power of two, become one along each side."""
    if longer_px < LARGE_PX:
        return 1
    return max((s for s in _REDUCED if longer_px / s >= least_px), default=1)


def _header(data: bytes, where: str) -> tuple[Image.Image, bytes]:
    """The opened file and its bytes; of a PNG with invalid ancillary chunks, which Pillow refuses, without them."""
    if not metadata.is_png(data):
        return _opened(data, where), data
    try:
        return _opened(data, where), data
    except PhotoError as error:
        if isinstance(error.__cause__, Image.DecompressionBombError):
            raise
        plain = metadata.bare(data)
        return _opened(plain, where), plain


def _opened(data: bytes, where: str) -> Image.Image:
    try:
        return Image.open(io.BytesIO(data), formats=_FORMATS)
    except Image.DecompressionBombError as error:
        raise PhotoError("too many pixels", where=where, found="over 178 megapixels", allowed=_SIZE_RULE) from error
    except Exception as error:
        # Pillow raises many kinds on headers of others' making: struct.error, KeyError, MemoryError and more.
        raise PhotoError("this is not a photograph in a supported format", where=where, found="unknown content",
                         allowed="JPEG, PNG, TIFF, WebP, HEIC",
                         remedy="if it is a photograph, copy it again") from error


_SIZE_RULE = f"{MIN_PIXELS / 1e6:g} to {MAX_PIXELS / 1e6:g} megapixels"


def _heic_header(data: bytes, where: str) -> tuple[Image.Image, bytes]:
    import pi_heif

    try:
        file = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        width, height = file.size
        _check_size(width, height, where)
        picture = file.to_pillow()
    except PhotoError:
        raise
    except Exception as error:
        raise PhotoError("the HEIC file is damaged", where=where, found=str(error),
                         remedy="copy the photograph again") from error
    if not isinstance(picture, Image.Image):
        raise TypeError("the HEIC library returned no picture")
    return picture, data


def _check_size(width: int, height: int, where: str) -> None:
    if not MIN_PIXELS <= width * height <= MAX_PIXELS:
        raise PhotoError("size out of range", where=where, found=f"{width} x {height} pixels", allowed=_SIZE_RULE,
                         remedy="take the photograph with the phone's ordinary camera setting")


def _check_mode(header: Image.Image, where: str) -> None:
    if header.format != "MPO" and _has_more(header):
        raise PhotoError("an animated or multi-page file is not a photograph", where=where, found="more than one frame",
                         allowed="a single picture")
    if header.mode not in ("RGB", "RGBA"):
        kind = {"L": "greyscale", "I;16": "greyscale", "LA": "greyscale", "1": "black and white",
                "CMYK": "CMYK", "P": "a colour palette"}.get(header.mode, header.mode)
        raise PhotoError("the picture is not in RGB colour", where=where, found=kind, allowed="RGB",
                         remedy="use the photograph as the phone took it, without conversion")


def _has_more(header: Image.Image) -> bool:
    """Whether there is a second frame. In a TIFF they are not counted: its directories may be chained without end."""
    if header.format != "TIFF":
        return bool(getattr(header, "is_animated", False))
    try:
        header.seek(1)
    except EOFError:
        return False
    except Exception:  # noqa: BLE001 - a second directory that cannot be read is not a frame
        header.seek(0)
        return False
    return True


def _pixels(data: bytes, shrink: int, where: str) -> Pixels:
    buffer = np.frombuffer(data, np.uint8)
    deep = data[:4] in (b"\x89PNG", b"II*\x00", b"MM\x00*")
    flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR if deep else _REDUCED[shrink]
    try:
        pixels = cv2.imdecode(buffer, flags)
    except cv2.error as error:
        raise PhotoError("the picture cannot be decoded", where=where, found=str(error.err)) from error
    if pixels is None:
        raise PhotoError("the picture is truncated or damaged", where=where, remedy="copy the photograph again")
    whole = exact(pixels)
    return _shrunk(whole, shrink) if deep and shrink > 1 else whole


def exact(pixels: NDArray[np.generic]) -> Pixels:
    """The same values, known to be 8 or 16 bit; no copy is made."""
    if pixels.dtype == np.uint16:
        return pixels.astype(np.uint16, copy=False)
    return pixels.astype(np.uint8, copy=False)


def _shrunk(pixels: Pixels, shrink: int) -> Pixels:
    size = (pixels.shape[1] // shrink, pixels.shape[0] // shrink)
    return exact(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA))


def _heic_pixels(header: Image.Image, shrink: int) -> Pixels:
    # The HEIC library has already turned the picture upright.
    turned = np.asarray(header.convert("RGB"), dtype=np.uint8)[:, :, ::-1]
    return _shrunk(np.ascontiguousarray(turned), shrink)
