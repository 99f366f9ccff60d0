"""What a treatment uses up in a year, and which prices its yearly cost would need."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from assess.treatment.treatment import TreatedWater
from assess.treatment.unit import TreatmentUnit
from assess.treatment.upkeep import Upkeep
from shared.water.molar import CL, NA

_DAYS_A_YEAR: Final = 365.25
#: Salt that regenerates a softener, as a multiple of the equivalents exchanged (textbook: about twice the theory).
_REGENERATION: Final = 2.0


class Consumption(msgspec.Struct, frozen=True, kw_only=True):
    """Of a year: ``changes`` of cartridge or membrane, ``reject_l`` to the drain, ``salts_kg`` by formula.

    ``without_price``: what the yearly cost leaves out because no price of it is on file.
    """

    changes: float | None = None
    reject_l: float | None = None
    salts_kg: dict[str, float] = {}
    without_price: tuple[str, ...] = ()


def consumption(unit: TreatmentUnit, treated: TreatedWater, keep: Upkeep, *, litres_per_day: float) -> Consumption:
    """The consumption of ``unit`` at ``litres_per_day`` delivered."""
    litres = litres_per_day * _DAYS_A_YEAR
    changes = None if keep.days is None else _DAYS_A_YEAR / float(np.median(keep.days))
    reject = None if treated.feed_per_litre is None else (float(np.median(treated.feed_per_litre)) - 1) * litres
    salts = {formula: float(np.median(mg_l)) * litres / 1e6 for formula, mg_l in treated.dose.items()}
    if unit.kind == "sodium-softening" and treated.load is not None:
        salts["NaCl"] = _REGENERATION * float(np.median(treated.load)) * (NA + CL) * litres / 1e3
    lacking = [] if unit.price is not None else ["cartridges"]
    lacking += ["reject water"] if reject else []
    lacking += ["salts"] if any(salts.values()) else []
    return Consumption(changes=changes, reject_l=reject, salts_kg=salts, without_price=(*lacking, "labour"))
