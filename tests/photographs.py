"""The sample photographs with their truth, and what can befall a photograph, done to a good one.

Places are in the card's millimetres; the truth's corners say where they lie in the picture.
"""

import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from shared.card import default_card
from shared.colour import srgb_decode, srgb_encode

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Box = tuple[float, float, float, float]

SAMPLES = Path(__file__).parents[1] / "sample_images"
CARD = default_card()


def truth_of(photo: Path) -> dict[str, Any]:
    """The true values in the file next to a sample."""
    truth: dict[str, Any] = json.loads(photo.with_suffix(".json").read_text())
    return truth


@dataclass(frozen=True)
class Picture:
    """Upright ``pixels`` (h, w, 3) in red, green, blue; ``to_px`` (3, 3) from millimetres to OpenCV's pixels."""

    pixels: Pixels
    to_px: Array

    @cached_property
    def mm(self) -> Array:
        """The card's millimetres (h, w, 2) at each pixel."""
        height, width = self.pixels.shape[:2]
        grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).astype(np.float64)
        return np.asarray(cv2.perspectiveTransform(grid, np.linalg.inv(self.to_px)))

    @cached_property
    def light(self) -> Array:
        """Linear light (h, w, 3), 1 at the top of the scale."""
        return srgb_decode(self.pixels / 255.0)

    def within(self, box: Box) -> Mask:
        """Which pixels lie in a rectangle: left, top, width, height in millimetres."""
        x, y, w, h = box
        column, row = self.mm[..., 0], self.mm[..., 1]
        return np.asarray((column >= x) & (column <= x + w) & (row >= y) & (row <= y + h))

    def with_light(self, light: Array) -> "Picture":
        """The picture with other linear light (h, w, 3), cut at the top of the scale."""
        return replace(self, pixels=np.rint(srgb_encode(np.minimum(light, 1.0)) * 255).astype(np.uint8))

    def lit(self, gain: Array | float) -> "Picture":
        """Linear light multiplied by ``gain``, broadcast over (h, w, 3)."""
        return self.with_light(self.light * gain)

    def lit_within(self, box: Box, gain: Array | float) -> "Picture":
        """Linear light of a rectangle multiplied by ``gain``: a number, or three for red, green, blue."""
        return self.lit(np.where(self.within(box)[..., None], gain, 1.0))

    def painted(self, box: Box, colour: tuple[int, int, int]) -> "Picture":
        """Something flat of one encoded colour laid over a rectangle."""
        pixels = self.pixels.copy()
        pixels[self.within(box)] = colour
        return replace(self, pixels=pixels)

    def blurred(self, sd_mm: float) -> "Picture":
        """Linear light spread by a lens out of focus, taken as a bell curve."""
        spread = cv2.GaussianBlur(self.light, (0, 0), sd_mm * self.px_per_mm)
        return self.with_light(np.asarray(spread, dtype=np.float64))

    def scaled(self, factor: float) -> "Picture":
        """The same scene in more or fewer pixels."""
        way = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
        pixels = cv2.resize(self.pixels, None, fx=factor, fy=factor, interpolation=way)
        matrix = np.array([[factor, 0, factor / 2 - 0.5], [0, factor, factor / 2 - 0.5], [0, 0, 1]])
        return Picture(np.asarray(pixels, dtype=np.uint8), matrix @ self.to_px)

    def farther(self, factor: float) -> "Picture":
        """The card smaller by ``factor`` in a picture of the same size."""
        small = self.scaled(factor)
        below, right = (a - b for a, b in zip(self.pixels.shape[:2], small.pixels.shape[:2], strict=True))
        pixels = cv2.copyMakeBorder(small.pixels, 0, below, 0, right, cv2.BORDER_REPLICATE)
        return replace(small, pixels=np.asarray(pixels, dtype=np.uint8))

    def moved(self, where: Mask, source: Callable[[Array], Array]) -> "Picture":
        """What lies at the places ``source`` gives for the millimetres shown ``where``."""
        px = cv2.perspectiveTransform(source(self.mm[where])[:, None], self.to_px)[:, 0].astype(np.float32)
        rows = np.array_split(px, len(px) // 30_000 + 1)  # remap takes 32767 columns at most
        shown = [cv2.remap(self.pixels, p[None, :, 0], p[None, :, 1], cv2.INTER_LINEAR)[0] for p in rows]
        pixels = self.pixels.copy()
        pixels[where] = np.concatenate(shown)
        return replace(self, pixels=pixels)

    @property
    def px_per_mm(self) -> float:
        """Pixels a millimetre along the card's middle line."""
        ends = cv2.perspectiveTransform(np.array([[[0.0, 52.5], [148.0, 52.5]]]), self.to_px)[0]
        return float(np.linalg.norm(ends[1] - ends[0])) / 148.0


def picture(photo: Path) -> Picture:
    """A sample, upright, with the way from millimetres to pixels that its truth states."""
    pixels = np.asarray(ImageOps.exif_transpose(Image.open(photo)).convert("RGB"))
    width, height = CARD.size
    rim = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float32)
    corners = np.array(truth_of(photo)["card_corners_px"], dtype=np.float32) - 0.5
    return Picture(pixels, np.asarray(cv2.getPerspectiveTransform(rim, corners), dtype=np.float64))


def file_of(pixels: Pixels | Image.Image, kind: str, **options: Any) -> bytes:
    """A file of the given kind as Pillow writes it; PNG uncompressed, in half the time."""
    out = io.BytesIO()
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    image.save(out, kind, **({"compress_level": 0} if kind == "PNG" else {}), **options)
    return out.getvalue()
