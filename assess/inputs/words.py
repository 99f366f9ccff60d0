"""Names of inputs in a sentence."""

from __future__ import annotations

from shared.analytes import ANALYTES


def in_words(key: str) -> str:
    """An analyte's name, or the input's own."""
    known = ANALYTES.get(key)
    return known.name if known else key
