"""A person's preferences as the store has them."""

from __future__ import annotations

import msgspec

from shared.decoders import from_json
from shared.notation import PLAIN, Notation


def preferences_from_json(text: str) -> Notation:
    """Return stored preferences; those of an earlier version that are no longer known give the defaults."""
    try:
        return from_json(text, Notation)
    except msgspec.DecodeError:
        return PLAIN
