"""Photographs of a strip on the card: light, camera and noise, about 0.1 s each; the same seed gives the same bytes."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from shared.card import default_card
from shared.colour import WAVELENGTHS_NM, load_illuminants
from stripread.demo.dyes import LOAD_SD, NM, Array, Camera, Exposure, Rng, expose, indicators, random_camera
from stripread.demo.printing import PX_PER_MM, PrintedCard, printed_card, strip_type, with_strip

Picture = NDArray[np.float32]
Fault = Literal["", "no strip", "card cut off"]

#: Size of a photograph, pixels, and share of its width that the card takes.
WIDTH, HEIGHT = 1280, 960
_CARD_SHARE: Final = (0.66, 0.78)
#: Gloss and print: scatter of log light of each region; stray light as a share of the mean; noise in counts.
_GLOSS_SD, _VEIL, _NOISE_SD = 0.004, 0.012, 1.3
#: Pixels by which the noise of a photograph may be shifted.
_NOISE_MARGIN: Final = 200
#: Blur of the lens in pixels; steps of the tone table; JPEG quality.
_BLUR_PX, _STEPS, _QUALITY = 0.7, 4096, 88
#: Reflectance of the table: brown.
_TABLE: Final[Array] = 0.18 + 0.22 / (1 + np.exp(-(NM - 580) / 35))


@dataclass(frozen=True, slots=True)
class CameraPhone:
    """A phone: ``model`` as in the EXIF data; its camera follows from ``seed``."""

    model: str
    seed: int


@dataclass(frozen=True, slots=True)
class Shot:
    """A photograph to render: what is in the water by analyte, strip batch, phone, lamp (CIE), time of exposure."""

    seed: int
    values: dict[str, float]
    batch: str
    phone: CameraPhone
    taken: datetime
    lamp: str = "D65"
    fault: Fault = field(default="")


def render(shot: Shot) -> bytes:
    """Return the photograph as a JPEG file with EXIF data."""
    rng = np.random.default_rng(shot.seed)
    card, exposure = _scene(shot, rng), _exposure(shot, rng)
    texture = _lit(card, exposure, rng)
    picture = _projected(texture, _placed(rng, cut=shot.fault == "card cut off"), _background(exposure))
    return _file(_developed(picture, exposure, rng), shot)


def _scene(shot: Shot, rng: Rng) -> PrintedCard:
    if shot.fault == "no strip":
        return printed_card()
    bed = default_card().bed
    pads = np.array([indicators(shot.batch)[pad.analyte].reflectance(shot.values[pad.analyte],
                                                                   1 + rng.normal(0, LOAD_SD))
                     for pad in strip_type().pads])
    tip = (bed.stop_x + rng.uniform(-0.2, 0.4), bed.axis_y + rng.normal(0, 0.2))
    return with_strip(printed_card(), pads, tip, rng.normal(0, 0.008))


def _exposure(shot: Shot, rng: Rng) -> Exposure:
    paper = printed_card().reflectance[0]
    return expose(_camera(shot.phone.seed), _lamp(shot.lamp), paper, rng)


@cache
def _camera(seed: int) -> Camera:
    return random_camera(np.random.default_rng(seed))


@cache
def _lamp(name: str) -> Array:
    """Return the relative power (61,) of a CIE illuminant."""
    return np.interp(NM, WAVELENGTHS_NM, load_illuminants()[name])


def _lit(card: PrintedCard, exposure: Exposure, rng: Rng) -> Picture:
    """Return linear light (h, w, 3) of the card under uneven light."""
    colours = exposure.linear(card.reflectance)
    gloss = np.exp(rng.normal(0, _GLOSS_SD, (len(colours), 1)) + rng.normal(0, _GLOSS_SD, colours.shape))
    texture = np.take((colours * gloss).astype(np.float32), card.regions, axis=0)
    across, down = (np.linspace(-1, 1, n)[:, None] for n in (texture.shape[1], texture.shape[0]))
    for axis, places in ((1, across), (0, down)):
        light = np.exp(places * exposure.slope[1 - axis] + exposure.bend * places**2).astype(np.float32)
        texture *= light[None] if axis else light[:, None]
    return texture


def _placed(rng: Rng, *, cut: bool) -> Array:
    """Return the matrix (3, 3) from pixels of the map to pixels of the photograph: a card seen at a slight angle."""
    width, height = default_card().size
    scale = rng.uniform(*_CARD_SHARE) * WIDTH / width
    turn, centre = rng.normal(0, 0.06), np.array([WIDTH, HEIGHT]) / 2 + rng.normal(0, 15, 2)
    rim = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = (rim - rim.mean(axis=0)) @ rotation.T * scale * (1 + rng.normal(0, 0.015, (4, 1))) + centre
    if cut:
        corners += [0.45 * WIDTH, 0]
    return np.asarray(cv2.getPerspectiveTransform((rim * PX_PER_MM - 0.5).astype(np.float32),
                                                  (corners - 0.5).astype(np.float32)), dtype=np.float64)


def _background(exposure: Exposure) -> Picture:
    """Return the table without a card, (HEIGHT, WIDTH, 3)."""
    grain = _grain()[..., None]
    return np.asarray(exposure.linear(_TABLE[None])[0].astype(np.float32) * (1 + np.float32(0.06) * grain))


@cache
def _grain() -> Picture:
    """Return the grain of the table, (HEIGHT, WIDTH)."""
    rough = np.random.default_rng(5).standard_normal((HEIGHT // 6, WIDTH // 90)).astype(np.float32)
    return np.asarray(cv2.resize(rough, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC), dtype=np.float32)


def _projected(texture: Picture, matrix: Array, onto: Picture) -> Picture:
    return np.asarray(cv2.warpPerspective(texture, matrix, (WIDTH, HEIGHT), dst=onto, flags=cv2.INTER_LINEAR,
                                          borderMode=cv2.BORDER_TRANSPARENT), dtype=np.float32)


def _developed(picture: Picture, exposure: Exposure, rng: Rng) -> NDArray[np.uint8]:
    """Return encoded pixels (HEIGHT, WIDTH, 3): lens, stray light, tone curve and noise."""
    seen = np.asarray(cv2.GaussianBlur(picture, (0, 0), _BLUR_PX), dtype=np.float32)
    veil = np.array(cv2.mean(seen)[:3]) * _VEIL
    # In place: each copy of a picture takes as long as the work on it.
    seen *= np.float32((1 - _VEIL) * (_STEPS - 1))
    seen += (veil * (_STEPS - 1) + 0.5).astype(np.float32)
    np.clip(seen, 0, _STEPS - 1, out=seen)
    table = (exposure.encoded(np.linspace(0, 1, _STEPS)) * 255 + 0.5).astype(np.float32)
    encoded = np.take(table, seen.astype(np.uint16))
    top, left = rng.integers(0, _NOISE_MARGIN, 2)
    encoded += _noise()[top:top + HEIGHT, left:left + WIDTH]
    np.clip(encoded, 0, 255, out=encoded)
    return np.asarray(encoded.astype(np.uint8))


@cache
def _noise() -> Picture:
    """Return noise in counts, larger than a photograph, of which each takes another part."""
    size = (HEIGHT + _NOISE_MARGIN, WIDTH + _NOISE_MARGIN, 3)
    return np.random.default_rng(11).standard_normal(size, dtype=np.float32) * np.float32(_NOISE_SD)


def _file(pixels: NDArray[np.uint8], shot: Shot) -> bytes:
    out, exif = io.BytesIO(), Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "Sample", shot.phone.model
    taken = exif.get_ifd(ExifTags.IFD.Exif)
    taken[ExifTags.Base.DateTimeOriginal] = f"{shot.taken:%Y:%m:%d %H:%M:%S}"
    offset = f"{shot.taken:%z}"
    taken[ExifTags.Base.OffsetTimeOriginal] = f"{offset[:3]}:{offset[3:5]}"
    Image.fromarray(pixels).save(out, "JPEG", quality=_QUALITY, exif=exif)
    return out.getvalue()
