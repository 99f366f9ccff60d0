"""What a water does: scale in each boiler over temperature, and properties with their intervals."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import msgspec
import numpy as np

from assess.criteria.quantities import scale, thickness, weight
from assess.draws import Feed, Interval, interval, intervals
from assess.equipment import Boiler, Equipment
from assess.inputs.sample import Inputs
from shared.estimate import Estimate
from shared.water import Vector, Water, open_to_air, si_model_sd, speciate

#: °C of the curve.
_CURVE_C: Final = (15.0, 25.0, 40.0, 60.0, 80.0, 93.0, 110.0, 125.0, 130.0)
#: Draws for a boiler's pH and saturation: shown, not judged. The ends of a 95 % interval then have a standard error of
#: 0.17 standard deviations.
_BOILER_DRAWS: Final = 250
#: Draws for the curve: its band is drawn, not judged (0.25 standard deviations).
_CURVE_DRAWS: Final = 120


class Saturation(msgspec.Struct, frozen=True, kw_only=True):
    """Saturation index of calcite over temperature: heated closed, and open to air. Above 0 it can scale."""

    temperatures_c: tuple[float, ...]
    closed: tuple[Interval, ...]
    open_to_air: tuple[Interval, ...]


class BoilerScaling(msgspec.Struct, frozen=True, kw_only=True):
    """One boiler: pH after heating closed, and at most so much scale; thickness only where the area is known."""

    boiler: str
    temperature_c: float
    cycles: float
    litres_per_day: float
    saturation: Interval
    ph: Interval
    scale_mg_per_l: Interval
    scale_g_per_week: Interval
    scale_mm_per_year: Interval | None


def saturation(feed: Feed) -> Saturation:
    """The curve, the model's own error in its band."""
    some = feed.take(_CURVE_DRAWS)
    airless = open_to_air(some.water, some.temperature)
    t_c = np.array(_CURVE_C)[:, np.newaxis]
    both = Water(*(np.stack([getattr(some.water, f.name), getattr(airless, f.name)])[:, np.newaxis]
                   for f in fields(Water)))
    index = speciate(both, t_c).si_calcite + some.model_error * si_model_sd(t_c)
    closed, in_air = (tuple(intervals(dict(zip(_CURVE_C, each, strict=True))).values()) for each in index)
    return Saturation(temperatures_c=_CURVE_C, closed=closed, open_to_air=in_air)


def boiler_scaling(feed: Feed, equipment: Equipment) -> tuple[BoilerScaling, ...]:
    """Every boiler of the machine."""
    some, boilers = feed.take(_BOILER_DRAWS), equipment.boilers
    t_c = np.array([b.temperature_c for b in boilers])[:, np.newaxis]
    heated = speciate(some.water, t_c)
    index = heated.si_calcite + some.model_error * si_model_sd(t_c)
    return tuple(_boiler(feed, b, {"ph": ph, "saturation": si})
                 for b, ph, si in zip(boilers, heated.ph, index, strict=True))


def _boiler(feed: Feed, boiler: Boiler, heated: dict[str, Vector]) -> BoilerScaling:
    """One boiler: scale by all draws, which its criteria have solved already; pH and saturation by some."""
    potential = np.maximum(scale(feed, boiler), 0.0)
    thick = None if boiler.heated_area_m2 is None else interval(thickness(potential, boiler))
    potentials = intervals({"scale_mg_per_l": potential, "scale_g_per_week": weight(potential, boiler)})
    return BoilerScaling(
        boiler=boiler.name, temperature_c=boiler.temperature_c, cycles=boiler.cycles,
        litres_per_day=boiler.litres_per_day, scale_mm_per_year=thick, **potentials, **intervals(heated))


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
    estimates = ((key, inputs.estimates[key]) for key in _ENTERED if key in inputs.measured)
    return {_ENTERED[key]: as_interval(e) for key, e in estimates if e.status == "measured"}


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


def outlet(properties: Properties) -> Outlet:
    """Return the water that reaches the machine."""
    return Outlet(
        hardness=properties["total hardness", "mg/L CaCO3"], alkalinity=properties["total alkalinity", "mg/L CaCO3"],
        ph=properties["pH at the outlet", "pH"], ph_after_standing=properties["pH after standing in air", "pH"],
        chloride=properties["chloride", "mg/L Cl"], sodium=properties["sodium", "mg/L Na"],
        chlorine=properties["free chlorine", "mg/L Cl2"])
