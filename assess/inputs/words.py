"""Names of inputs in a sentence."""

from __future__ import annotations

from shared.analytes import ANALYTES


def input_name(key: str) -> str:
    """An analyte's name, or the input's own."""
    known = ANALYTES.get(key)
    return known.name if known else key


def capitalise(words: str) -> str:
    """Words as they begin a sentence; pH is written so everywhere."""
    return words if words.startswith("pH") else words[:1].upper() + words[1:]
