"""Pad colours of readings in lists, as the strip glyph draws them."""

from __future__ import annotations

from collections.abc import Iterable

from stripread.report.ramp import swatch
from stripread.store.pad_colours import pad_colours
from stripread.store.store import Store


def glyphs(store: Store, readings: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return the measured pad colours by reading as CSS colours, "" for a pad without a result."""
    found = pad_colours(store, readings)
    return {id_: tuple(swatch(lab) if lab else "" for lab in labs) for id_, labs in found.items()}
