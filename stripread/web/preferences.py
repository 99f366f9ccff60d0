"""How a person wants numbers written: the unit of hardness and alkalinity, and the decimal mark."""

from __future__ import annotations

from typing import Literal, get_args

import msgspec

Unit = Literal["mg/L CaCO3", "°dH", "°fH", "°e", "gpg"]
UNITS: tuple[Unit, ...] = get_args(Unit)


class Preferences(msgspec.Struct, frozen=True, kw_only=True):
    """``unit``: for hardness and alkalinity; ``comma``: decimal comma instead of a point."""

    unit: Unit = "mg/L CaCO3"
    comma: bool = False


def preferences_from_json(text: str) -> Preferences:
    """Preferences as kept; those of an earlier program that are no longer known give the usual ones."""
    try:
        return msgspec.json.decode(text, type=Preferences)
    except msgspec.DecodeError:
        return Preferences()
