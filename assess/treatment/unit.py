"""A treatment unit one can buy, as its data sheet states it."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import msgspec

Kind = Literal[
    "none",
    "carbon",
    "weak-acid-exchange",
    "magnesium-exchange",
    "sodium-softening",
    "scale-inhibitor",
    "reverse-osmosis",
]


class TreatmentUnit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One entry of a treatment catalogue (TOML, table ``units.<id>``). None: the data sheet does not say."""

    id: str
    name: str
    kind: Kind
    #: working capacity, equivalents (weak-acid: of alkalinity; softener: of hardness)
    capacity_eq: float | None = None
    #: litres until the maker asks for a change, whatever the water
    capacity_litres: float | None = None
    #: months until the maker asks for a change, whatever the use
    service_months: float | None = None
    #: fraction of every ion held back (reverse osmosis)
    rejection: float | None = None
    #: fraction of the feed that becomes permeate (reverse osmosis)
    recovery: float | None = None
    #: litres per hour at most
    flow_l_per_h: float | None = None
    #: bypass settings the head has, fractions of raw water; empty: free between 0 and 1
    bypass_settings: tuple[float, ...] = ()
    #: carbon in it that takes out chloramine too
    catalytic_carbon: bool = False
    #: carbon in it takes out free chlorine
    carbon: bool = False
    #: price of a cartridge, membrane or charge and of the housing, in ``currency``
    price: float | None = None
    price_fitting: float | None = None
    currency: str | None = None


def load_units(path: Path | None = None) -> dict[str, TreatmentUnit]:
    """The catalogue at ``path`` by id, or the generic one shipped. Raises FileError."""
    raise NotImplementedError
