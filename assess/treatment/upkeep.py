"""How long the parts of a unit last, and how an ion exchanger leaks hardness near the end of its capacity."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final

import msgspec
import numpy as np

from assess.draws import Interval, interval
from assess.treatment.treatment import TreatedWater
from assess.treatment.unit import Kind, TreatmentUnit, is_membrane
from shared.water import Vector, Water
from shared.water.molar import CL, NA
from shared.water.treating import litres_to_exhaustion

#: Range of the steepness of breakthrough: about the inverse of the share of a unit's life that the rise takes.
#: Common practice, no source.
STEEPNESS: Final = (3.0, 40.0)
#: Relative standard uncertainty of a stated capacity. Common practice, no source.
U_CAPACITY: Final = 0.2
#: Resins whose exhaustion shows as hardness.
_HARDNESS_RISES: Final[tuple[Kind, ...]] = ("weak-acid-exchange", "sodium-softening")
#: Shares of the median life at which the leakage curve is stated.
_SHARES: Final = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5)


class LeakagePoint(msgspec.Struct, frozen=True, kw_only=True):
    """Total hardness of the treated water (mg/L CaCO3) after ``litres`` were delivered."""

    litres: float
    hardness: Interval


def lost_removal(used: Vector, steepness: Vector | float) -> Vector:
    """Return the share of its removal that a unit has lost when a share of its capacity is used: a logistic curve.

    Yoon and Nelson, Am. Ind. Hyg. Assoc. J. 45:509, 1984.
    """
    return np.asarray(1.0 / (1.0 + np.exp(-steepness * (used - 1.0))))


def leakage_curve(kind: Kind, litres: Vector, *, feed: Water, treated: Water) -> tuple[LeakagePoint, ...]:
    """Return the treated hardness over the life of a resin; empty where exhaustion does not show as hardness.

    ``litres``: draws of the volume to exhaustion; ``treated``: water of the fresh resin. The steepness is the
    geometric mean of its range.
    """
    if kind not in _HARDNESS_RISES or not np.all(np.isfinite(litres)):
        return ()
    steepness, middle = float(np.sqrt(STEEPNESS[0] * STEEPNESS[1])), float(np.median(litres))
    removed = feed.hardness - treated.hardness
    return tuple(
        LeakagePoint(litres=share * middle, hardness=interval(
            treated.hardness + removed * lost_removal(share * middle / litres, steepness)))
        for share in _SHARES)


DAYS_A_YEAR: Final = 365.25
_DAYS_A_MONTH: Final = DAYS_A_YEAR / 12
#: Salt that regenerates a softener, as a multiple of the equivalents exchanged (textbook: about twice the theory).
_REGENERATION: Final = 2.0
#: What is replaced or done at the end of a unit's life.
_MAIN_PART: Final[dict[Kind, str]] = {
    "particle-filter": "filter cartridge", "carbon-filter": "filter cartridge", "sodium-softening": "regeneration",
    "mineral-dosing": "service of the dosing pump", "calcite-contact": "service of the calcite filter"}


class PartLife(msgspec.Struct, frozen=True, kw_only=True):
    """Life of a part: ``days`` of use, ``litres`` delivered where use exhausts it; ``on``: date due, if known."""

    part: str
    days: Interval
    litres: Interval | None = None
    on: date | None = None


@dataclass(frozen=True, slots=True)
class Upkeep:
    """When a unit is next renewed. Infinite: never; None: not known.

    ``litres`` delivered until the unit is exhausted; ``days`` until then or the end of its service life, whichever
    comes first; ``parts`` with their own lives, the unit's main part first.
    """

    litres: Vector | None
    days: Vector | None
    parts: tuple[PartLife, ...]


def upkeep(unit: TreatmentUnit, treated: TreatedWater, *, litres_per_day: float,
           capacity: Vector | float = 0.0) -> Upkeep:
    """Return the upkeep of ``unit`` for ``treated`` at ``litres_per_day`` delivered.

    ``capacity``: standard normal draws of how the capacity departs from what is stated.
    """
    litres = _litres(unit, treated, np.exp(U_CAPACITY * np.asarray(capacity)))
    limits = [] if litres is None else [litres / litres_per_day]
    if unit.service_months is not None:
        limits.append(np.asarray(unit.service_months * _DAYS_A_MONTH))
    days = np.minimum.reduce(np.broadcast_arrays(*limits)) if limits else None
    return Upkeep(litres, days, tuple(_parts(unit, treated, Upkeep(litres, days, ()), litres_per_day)))


def salts(unit: TreatmentUnit, treated: TreatedWater) -> dict[str, float]:
    """Return mg of each salt for a litre delivered, by formula; the brine of a softener included (medians)."""
    doses = {formula: float(np.median(mg_l)) for formula, mg_l in treated.dose.items()}
    if unit.kind == "sodium-softening" and treated.load is not None:
        doses["NaCl"] = _REGENERATION * float(np.median(treated.load)) * (NA + CL) * 1e3
    return {formula: mg_l for formula, mg_l in doses.items() if mg_l > 0}


def _parts(unit: TreatmentUnit, treated: TreatedWater, keep: Upkeep, litres_per_day: float) -> Iterator[PartLife]:
    """The main part, the prefilter and the stock, as far as the catalogue states them."""
    main = "membrane" if is_membrane(unit.kind) else _MAIN_PART.get(unit.kind, "cartridge")
    if keep.days is not None and np.all(np.isfinite(keep.days)):
        finite = keep.litres is not None and np.all(np.isfinite(keep.litres))
        yield PartLife(part=main, days=interval(np.atleast_1d(keep.days)),
                       litres=interval(np.atleast_1d(keep.litres)) if finite and keep.litres is not None else None)
    if unit.prefilter_months is not None:
        yield PartLife(part="prefilter", days=_exactly(unit.prefilter_months * _DAYS_A_MONTH))
    used = sum(salts(unit, treated).values())
    if unit.stock_kg is not None and used > 0:
        litres = unit.stock_kg * 1e6 / used
        stock = "calcite" if set(treated.dose) == {"CaCO3"} else "stock of salts"
        yield PartLife(part=stock, days=_exactly(litres / litres_per_day), litres=_exactly(litres))


def _exactly(value: float) -> Interval:
    return Interval(value=value, low=value, high=value)


def _litres(unit: TreatmentUnit, treated: TreatedWater, departure: Vector) -> Vector | None:
    by_load = None
    if unit.working_eq is not None and treated.load is not None:
        by_load = litres_to_exhaustion(unit.working_eq, treated.load) * departure
    if unit.capacity_litres is None:
        return by_load
    stated = np.asarray(unit.capacity_litres, dtype=np.float64)
    return stated if by_load is None else np.minimum(by_load, stated)
