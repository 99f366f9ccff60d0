"""Properties of tap and treated water with their intervals; measured values appear as they were entered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import msgspec

from assess.draws import Feed, Interval, intervals
from assess.inputs.sample import Inputs
from shared.estimate import Estimate
from shared.water import Water

#: Median and interval by name and unit.
Properties = dict[tuple[str, str], Interval]


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """A property of the water at the tap and after the treatment."""

    name: str
    unit: str
    before: Interval
    after: Interval


class Outlet(msgspec.Struct, frozen=True, kw_only=True):
    """The water that reaches the machine; the pH at the outlet and after standing in air at 25 °C."""

    hardness: Interval
    alkalinity: Interval
    ph: Interval
    ph_after_standing: Interval
    chloride: Interval
    sodium: Interval
    chlorine: Interval


@dataclass(frozen=True, slots=True)
class TapProperties:
    """Properties of the tap as drawn, and those that were measured as they were entered."""

    drawn: Properties
    entered: Properties

    @property
    def as_entered(self) -> Properties:
        """The tap's properties, measured ones as entered."""
        return self.drawn | self.entered

    def unchanged_as_entered(self, treated: Properties) -> Properties:
        """Return ``treated``, with what the treatment does not change as entered."""
        return {key: self.as_entered[key] if value == self.drawn[key] else value for key, value in treated.items()}


#: Names and units of the properties that a person enters, by analyte.
_ENTERED: Final = {
    "hardness": ("total hardness", "mg/L CaCO3"), "alkalinity": ("total alkalinity", "mg/L CaCO3"),
    "ph": ("pH at the outlet", "pH"), "chloride": ("chloride", "mg/L Cl"), "sodium": ("sodium", "mg/L Na"),
    "potassium": ("potassium", "mg/L K"), "conductivity": ("conductivity", "µS/cm"),
    "chlorine": ("free chlorine", "mg/L Cl2")}


def entered(inputs: Inputs) -> Properties:
    """Return the measured values as they were entered; values beyond a range are left to the draws."""
    found = ((key, inputs.estimates[key]) for key in _ENTERED if key in inputs.measured)
    return {_ENTERED[key]: as_interval(e) for key, e in found if e.status == "measured"}


def as_interval(e: Estimate) -> Interval:
    """Return an estimate's value and interval."""
    return Interval(value=e.value, low=e.low, high=e.high)


def changes(before: Properties, after: Properties) -> tuple[Change, ...]:
    """Return every property before and after."""
    return tuple(Change(name=name, unit=unit, before=before[name, unit], after=value)
                 for (name, unit), value in after.items())


def properties(feed: Feed) -> Properties:
    """Return the properties of a feed."""
    water: Water = feed.water
    return intervals({
        ("total hardness", "mg/L CaCO3"): water.hardness,
        ("total alkalinity", "mg/L CaCO3"): water.alkalinity_caco3,
        ("pH at the outlet", "pH"): feed.ph,
        ("pH after standing in air", "pH"): feed.solved.ph_in_air(),
        ("chloride", "mg/L Cl"): water.chloride_mg_l,
        ("sodium", "mg/L Na"): water.sodium_mg_l,
        ("potassium", "mg/L K"): water.potassium_mg_l,
        ("conductivity", "µS/cm"): feed.conductivity,
        ("free chlorine", "mg/L Cl2"): feed.free_chlorine,
        ("combined chlorine", "mg/L Cl2"): feed.chloramine,
    })


def outlet(found: Properties) -> Outlet:
    """Return the water that reaches the machine."""
    return Outlet(
        hardness=found["total hardness", "mg/L CaCO3"], alkalinity=found["total alkalinity", "mg/L CaCO3"],
        ph=found["pH at the outlet", "pH"], ph_after_standing=found["pH after standing in air", "pH"],
        chloride=found["chloride", "mg/L Cl"], sodium=found["sodium", "mg/L Na"],
        chlorine=found["free chlorine", "mg/L Cl2"])
