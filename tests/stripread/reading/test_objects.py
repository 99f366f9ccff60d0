"""Drops of water and labels on the card: whatever they cover, no value moves by more than its interval allows.

Each picture is made from one good photograph, whose values are the reference.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import segno
from PIL import Image

from stripread.reading.result import Reading
from tests.photographs import CARD, Array, Box, Picture, truth_of
from tests.reader import Reader, all_flags, pad, shifts

#: Encoded levels of a printed label in the light of the room: paper, ink.
_PAPER, _INK = 205, 25


def labelled(picture: Picture, box: Box) -> Picture:
    """A label with a QR code over a rectangle of the card."""
    out = io.BytesIO()
    segno.make("https://water.example/points/4711", error="m").save(out, kind="png", border=4)
    code = np.where(np.asarray(Image.open(out).convert("L")) > 127, _PAPER, _INK).astype(np.uint8)
    x, y, w, h = box
    where = picture.within(box)
    place = (picture.mm[where] - (x, y)) / (w, h) * code.shape[::-1]
    column, row = np.minimum(place.astype(int), np.array(code.shape[::-1]) - 1).T
    pixels = picture.pixels.copy()
    pixels[where] = code[row, column][:, None]
    return Picture(pixels, picture.to_px)


def wet(picture: Picture, drops: Array) -> Picture:
    """Drops (n, 3) at x, y with radius, in millimetres: a lens brighter at its far side, a dark rim, a reflection."""
    light = picture.light.copy()
    for x, y, radius in drops:
        away = (picture.mm - (x, y)) / radius
        distance = np.hypot(away[..., 0], away[..., 1])[..., None]
        inside, rim = distance < 1, (distance > 0.85) & (distance < 1)
        light *= np.where(inside, 0.95 + 0.2 * away[..., 1:], 1.0) * np.where(rim, 0.75, 1.0)
        shine = np.exp(-((away + 0.35) ** 2).sum(axis=-1, keepdims=True) / (2 * 0.15**2))
        light = light * (1 - shine) + 0.95 * shine
    return picture.with_light(light)


@dataclass(frozen=True)
class Label:
    """A label on the card: one of these ``flags`` must report it, if any; this ``pad`` has no value."""

    where: str
    box: Box
    flags: frozenset[str] = frozenset()
    pad: str = ""

    def __str__(self) -> str:
        return self.where


LABELS = (
    Label("upper patches", (60.0, 22.0, 20.0, 20.0), frozenset({"patches-covered"})),
    # Too few of one colour to be recognised as one thing: they are left out, and no value changes.
    Label("lower patches", (60.0, 62.0, 18.0, 18.0)),
    Label("end of the bed", (112.0, 46.5, 12.0, 12.0)), Label("marker", (5.0, 5.0, 18.0, 18.0)),
    Label("pads", (25.0, 46.0, 13.0, 13.0), frozenset({"glare", "bed-not-clear", "pad-covered"}), "alkalinity"))


@pytest.mark.parametrize("label", LABELS, ids=str)
def test_label_on_the_card(reader: Reader, good: Picture, good_reading: Reading, label: Label) -> None:
    reading = reader.read(labelled(good, label.box))
    assert label.flags & all_flags(reading) or not label.flags
    assert not label.pad or pad(reading, label.pad).value is None
    assert max(shifts(reading, good_reading).values(), default=0.0) < 0.5


def test_drops_on_the_card(reader: Reader, good: Picture, good_reading: Reading) -> None:
    """Twelve drops anywhere, then one on each of six patches: all pads are measured, no value is shifted."""
    rng = np.random.default_rng(1)
    scattered = np.column_stack([rng.uniform(10, 138, 12), rng.uniform(20, 86, 12), rng.uniform(0.8, 3.0, 12)])
    on_patches = np.array([(p.x + p.w / 2, p.y + p.h / 2, 3.5) for p in CARD.patches[3:9]])
    for drops in (scattered, on_patches):
        shifted = shifts(reader.read(wet(good, drops)), good_reading)
        assert len(shifted) == 5
        assert max(shifted.values()) < 0.5


@pytest.mark.parametrize("analyte", ["hardness", "chloride"])
def test_drop_on_a_pad(reader: Reader, good: Picture, good_file: Path, good_reading: Reading, analyte: str) -> None:
    """A drop over the whole pad: the pad is flagged, and its interval contains the value without the drop."""
    x, y = truth_of(good_file)["pads"][analyte]["card_mm"]
    reading = reader.read(wet(good, np.array([(x, y, 3.2)])))
    assert pad(reading, analyte).flags
    assert max(shifts(reading, good_reading).values()) < 0.5
