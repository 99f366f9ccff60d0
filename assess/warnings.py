"""Warnings about a water before the recommendation, each with a stable id; questions about odd values.

In a steam boiler also: alkalinity that causes foam and carryover, magnesium hydroxide.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, Literal

import msgspec
import numpy as np

from assess.choice import is_softened
from assess.criteria.quantities import cycles_within
from assess.draws import DrawnFeed, Feed
from assess.equipment import Boiler, Equipment
from assess.inputs.sample import Inputs, Sample
from shared.analytes import input_name
from shared.errors import InputError
from shared.estimate import Estimate
from shared.notation import significant
from shared.quantities import convert
from shared.water import Vector, Water
from shared.water.boiler import boiler_water
from shared.water.molar import MG_CACO3_PER_EQ

#: A value typed in mg/L below this, with the other value many times higher, was probably read in degrees.
_MOST_DEGREES: Final = 30.0
_MANY_TIMES: Final = 3.0
#: mg/L of sulfate that missing anions would make, above what drinking water contains (40 CFR 143.3: 250 mg/L).
_MOST_SULFATE: Final = 250.0
#: Charge imbalance (%), beyond the uncertainty of the values, that leads to a question; and to an error.
_TOLD_PERCENT: Final = 10.0
_REFUSED_PERCENT: Final = 50.0


def questions(sample: Sample, inputs: Inputs, drawn: DrawnFeed) -> tuple[str, ...]:
    """Return what to ask the person who entered the values. Raises InputError for an impossible charge balance."""
    return (*_degrees(sample), *_charge(inputs, drawn))


def _degrees(sample: Sample) -> Iterator[str]:
    """Whether °dH was typed as mg/L: the other value, or the conductivity, contradicts the value."""
    if sample.origin == "strip":
        return
    for analyte, other in (("hardness", "alkalinity"), ("alkalinity", "hardness")):
        this, that = sample.get(analyte), sample.get(other)
        if this is not None and 0 < this.value < _MOST_DEGREES and _unbelieved(this, that, sample):
            number = significant(this.value)
            yield (f"Is the {input_name(analyte)} really {number} mg/L CaCO3? If it was read in °dH, enter it in °dH: "
                   f"{number} °dH is {convert(this.value, analyte, unit='°dH'):.0f} mg/L CaCO3.")


def _unbelieved(this: Estimate, that: Estimate | None, sample: Sample) -> bool:
    ec = sample.get("conductivity")
    if ec is not None:
        # About 2 µS/cm for each mg/L CaCO3 of hardness (Standard Methods 2510: 1 meq/L is about 100 µS/cm).
        return ec.value > 2 * 2.0 * max(this.value, that.value if that else 0.0) + 50
    return that is not None and (that.value > _MANY_TIMES * this.value or that.value < _MOST_DEGREES)


def _charge(inputs: Inputs, drawn: DrawnFeed) -> Iterator[str]:
    anions_known, cations_known = "sulfate" in inputs.measured, "sodium" in inputs.measured
    low, percent, high = (float(q) for q in np.quantile(drawn.charge_percent, (0.025, 0.5, 0.975)))
    if (anions_known and low > _TOLD_PERCENT) or (cations_known and high < -_TOLD_PERCENT):
        if abs(percent) > _REFUSED_PERCENT:
            raise _impossible(percent)
        yield (f"The charges do not balance: {'cations' if percent > 0 else 'anions'} exceed by {abs(percent):.0f} % "
               "(Standard Methods 1030 E allows a few percent). Measure again, or enter the ion that is missing.")
    sulfate = float(np.quantile(drawn.feed.water.sulfate_mg_l, 0.025))
    if not anions_known and sulfate > _MOST_SULFATE:
        yield (f"Hardness exceeds alkalinity and chloride by so much that the water would contain at least "
               f"{sulfate:.0f} mg/L sulfate (or nitrate). Is one of the three values misread?")


def _impossible(percent: float) -> InputError:
    return InputError("the charges of the ions do not balance", where="the analysis",
                      found=f"{'cations' if percent > 0 else 'anions'} exceed by {abs(percent):.0f} %",
                      allowed="cations and anions equal within a few percent (Standard Methods 1030 E)",
                      remedy="check every value and its unit")


#: Draws for a median.
_DRAWS: Final = 50
#: Mg(OH)2 + 2 H = Mg + 2 H2O at 25 °C and its enthalpy in kJ/mol (MINTEQ database, from memory); R in kJ/(mol K).
_BRUCITE: Final = (16.844, -113.996)
_R: Final = 8.314462618e-3
#: mg/L CaCO3 of remaining alkalinity from which a small steam boiler foams (common practice, no source; 700 for
#: large boilers: ABMA, from memory).
_FOAMS: Final = 300.0


def alkaline(feed: Feed, boiler: Boiler) -> float | None:
    """Return the alkalinity that remains in the boiler (median, mg/L CaCO3) if it can cause foam and carryover."""
    left = _boiled(feed, boiler)[0] * MG_CACO3_PER_EQ
    return float(np.median(left)) if np.median(left) > _FOAMS else None


def forms_magnesium_hydroxide(feed: Feed, boiler: Boiler) -> bool:
    """Return whether the boiler's water is supersaturated with magnesium hydroxide (median)."""
    _, magnesium, ph = _boiled(feed, boiler)
    saturation = np.log10(np.maximum(magnesium, 1e-12)) + 2 * ph - brucite_log_k(boiler.temperature_c)
    return bool(np.median(saturation) > 0)


def brucite_log_k(t_c: float) -> float:
    """Return log10 K of the dissolution of Mg(OH)2 by acid at ``t_c`` (°C), by van't Hoff's equation from 25 °C."""
    at_25, enthalpy = _BRUCITE
    return float(at_25 + enthalpy / (_R * np.log(10.0)) * (1 / 298.15 - 1 / (t_c + 273.15)))


def _boiled(feed: Feed, boiler: Boiler) -> Vector:
    """Alkalinity (eq/L), free magnesium (mol/L) and pH of the hot boiler water, without its CO2 and calcite."""
    return feed.solved.once(("boiled", boiler), lambda _: _boil(feed.take(_DRAWS).water, boiler))


def _boil(water: Water, boiler: Boiler) -> Vector:
    left = boiler_water(water, cycles_within(water, boiler.cycles), t_c=boiler.temperature_c)
    return np.stack([left.water.alkalinity, left.free_magnesium, left.ph])


Id = Literal["softened-water", "permeate", "manufacturer-limit-not-on-file", "chloramine", "iron", "conductivity-only",
             "alkaline-boiler", "sodium-bicarbonate"]
#: mg/L Fe that stains and interferes with hardness and chlorine pads (WHO and 40 CFR 143.3: 0.3; half of it warns).
_IRON: Final = 0.15
#: mg/L CaCO3 of alkalinity beyond the hardness from which a softener is likely (common practice, no source).
_SODIUM_BICARBONATE: Final = 80.0
#: mg/L CaCO3 of hardness and of alkalinity below which a water looks like permeate (common practice, no source).
_PERMEATE: Final = 6.0
#: mg/L Cl2 of combined chlorine that plain carbon would leave.
_CHLORAMINE: Final = 0.1
_SALINITY: Final = ("conductivity", "tds")
_DECIDE: Final = ("hardness", "alkalinity", "ph")


class WaterWarning(msgspec.Struct, frozen=True, kw_only=True):
    """``words`` for people, ``id`` for programs."""

    id: Id
    words: str


def warnings(feed: Feed, inputs: Inputs, equipment: Equipment) -> Iterator[WaterWarning]:
    """Yield the warnings that apply to this water in this machine."""
    if is_softened(feed) and {"hardness", "alkalinity"} <= inputs.measured:
        yield WaterWarning(id="softened-water", words=(
            "Very low hardness with high alkalinity: softened water, or a natural sodium bicarbonate water. Is there a "
            "softener? Sample upstream of it. In a steam boiler, sodium bicarbonate makes the water caustic: it foams, "
            "is carried over with the steam and attacks brass."))
    elif _is_partly_softened(feed) and {"hardness", "alkalinity"} <= inputs.measured:
        yield WaterWarning(id="sodium-bicarbonate", words=(
            "Alkalinity is much higher than hardness: the water contains sodium bicarbonate. Is there a softener that "
            "blends? If so, sample upstream of it: less treatment may be enough."))
    if _is_permeate(feed) and {"hardness", "alkalinity"} <= inputs.measured:
        yield WaterWarning(id="permeate", words=(
            "Almost no minerals: this looks like permeate or demineralised water. Is there a membrane? Test the water "
            "upstream of it and check its remineralisation. The level probe of a boiler may not detect such water."))
    if not any(m.measure == "chloride" for m in equipment.maker_limits):
        yield WaterWarning(id="manufacturer-limit-not-on-file", words=(
            "The manufacturer's chloride limit is not on file: ask the manufacturer (usually 30 to 50 mg/L)."))
    yield from _of_disinfectant(feed, inputs)
    if {"hardness", "alkalinity", "ph"} <= inputs.measured:
        yield from _of_boilers(feed, equipment)
    iron = inputs.estimates.get("iron")
    if iron is not None and iron.status != "below" and iron.value >= _IRON:
        yield WaterWarning(id="iron", words=(
            f"Iron ({iron.value:.2g} mg/L) is measured as hardness by most tests, discolours pads and leaves "
            "stains; from 0.3 mg/L it fouls resins and membranes. Remove it upstream, and have a laboratory confirm "
            "the hardness."))
    if any(key in inputs.measured for key in _SALINITY) and not set(_DECIDE) <= inputs.measured:
        yield WaterWarning(id="conductivity-only", words=(
            "Conductivity and TDS measure all salts together, not hardness, alkalinity or chloride: they allow no "
            "verdict on scale, corrosion or the cup."))


def _is_partly_softened(feed: Feed) -> bool:
    return bool(np.median(feed.water.alkalinity_caco3 - feed.water.hardness) > _SODIUM_BICARBONATE)


def _is_permeate(feed: Feed) -> bool:
    water = feed.water
    return bool(max(np.median(water.hardness), np.median(water.alkalinity_caco3)) < _PERMEATE)


def _of_boilers(feed: Feed, equipment: Equipment) -> Iterator[WaterWarning]:
    for boiler in (b for b in equipment.boilers if b.kind == "steam"):
        left = alkaline(feed, boiler)
        if left is not None:
            yield WaterWarning(id="alkaline-boiler", words=(
                f"{boiler.name}: about {left:.0f} mg/L CaCO3 of alkalinity remains and makes the water caustic: it "
                "foams, is carried over with the steam and attacks brass. Drain the boiler often."))


def notes(feed: Feed, inputs: Inputs, equipment: Equipment) -> Iterator[str]:
    """Yield possible effects in the boilers that require no action on their own."""
    for boiler in (b for b in equipment.boilers if b.kind == "steam"):
        if {"hardness", "alkalinity", "ph"} <= inputs.measured and forms_magnesium_hydroxide(feed, boiler):
            yield (f"{boiler.name}: the hot, alkaline water can also deposit magnesium hydroxide sludge, which is not "
                   "included in the scale.")


def _of_disinfectant(feed: Feed, inputs: Inputs) -> Iterator[WaterWarning]:
    combined = float(np.median(feed.chloramine))
    if "total-chlorine" in inputs.measured and combined >= _CHLORAMINE:
        yield WaterWarning(id="chloramine", words=(
            f"About {combined:.1f} mg/L combined chlorine (chloramine): plain carbon leaves most of it; use catalytic "
            "carbon with enough contact time."))
