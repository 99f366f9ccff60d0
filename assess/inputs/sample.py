"""One water as it was read or typed, and what has to be assumed of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import msgspec

from assess.inputs.calcium import CALCIUM_FRACTION, calcium_fraction, with_hardness
from shared.analytes import input_name
from shared.errors import InputError
from shared.estimate import Z95, Estimate, Part

Origin = Literal["strip", "typed", "laboratory"]


class Sample(msgspec.Struct, frozen=True, kw_only=True):
    """Estimates by analyte, each at most once; ``notes`` are what the reader or the typing left to say."""

    name: str
    origin: Origin
    estimates: tuple[Estimate, ...]
    calcium_fraction: Estimate | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        ids = [e.analyte for e in self.estimates]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise InputError("a value is given twice", where=self.name, found=", ".join(twice))

    def get(self, analyte: str) -> Estimate | None:
        """The estimate of an analyte, None where it was not measured."""
        return next((e for e in self.estimates if e.analyte == analyte), None)

    def joined(self, more: Sample) -> Sample:
        """With what ``more`` adds. Raises InputError where both hold the same analyte."""
        return msgspec.structs.replace(
            self, estimates=self.estimates + more.estimates, notes=self.notes + more.notes,
            calcium_fraction=more.calcium_fraction or self.calcium_fraction)


class Assumption(msgspec.Struct, frozen=True, kw_only=True):
    """A value nobody gave: drawn from its interval like a reading, and told."""

    estimate: Estimate
    why: str


def _assumed(analyte: str, interval: tuple[float, float, float], unit: str, why: str) -> Assumption:
    """``interval``: low, value, high."""
    low, value, high = interval
    u = (high - low) / (2 * Z95)
    return Assumption(why=why, estimate=Estimate(
        analyte=analyte, value=value, low=low, high=high, unit=unit,
        budget=(Part(name="assumption", u=u, shared=True),)))


#: Without one of these there is nothing to judge.
_JUDGED = ("hardness", "alkalinity", "ph", "chloride", "chlorine", "total-chlorine")

#: What is assumed where nothing was measured, wide enough that no verdict leans on it.
ASSUMED: dict[str, Assumption] = {a.estimate.analyte: a for a in (
    _assumed("hardness", (0.0, 120.0, 400.0), "mg/L CaCO3",
             "Hardness was not measured; drinking waters run from soft to very hard."),
    _assumed("alkalinity", (0.0, 100.0, 350.0), "mg/L CaCO3",
             "Alkalinity was not measured; drinking waters run from nearly none to very high."),
    _assumed("ph", (6.5, 7.5, 8.5), "pH",
             "pH was not measured; US EPA's secondary standard (40 CFR 143.3) has drinking water at 6.5 to 8.5."),
    _assumed("chloride", (0.0, 40.0, 250.0), "mg/L Cl",
             "Chloride was not measured; US EPA's secondary standard (40 CFR 143.3) allows 250 mg/L."),
    _assumed("chlorine", (0.0, 0.2, 1.0), "mg/L Cl2",
             "Free chlorine was not measured; mains carry some tenths of a mg/L (common practice, no source)."),
    _assumed("sulfate", (0.0, 25.0, 100.0), "mg/L SO4",
             "Sulfate was not measured (common practice, no source); it weakens saturation slightly."),
    _assumed("temperature", (10.0, 18.0, 26.0), "°C",
             "The sample's temperature was not given: cold tap water to room temperature."),
    _assumed(CALCIUM_FRACTION, (0.5, 0.75, 0.95), "of the hardness",
             "Calcium was not measured; 0.7 to 0.8 of the hardness is typical (common practice, no source), "
             "taken as 0.5 to 0.95."),
)}


@dataclass(frozen=True, slots=True)
class Inputs:
    """Every input of the chemistry by id, measured or assumed, and which were assumed."""

    estimates: dict[str, Estimate]
    assumptions: tuple[Assumption, ...]

    @property
    def measured(self) -> frozenset[str]:
        """Ids of what was not assumed."""
        return frozenset(self.estimates) - {a.estimate.analyte for a in self.assumptions}


def _free_of_total(total: Estimate) -> Estimate:
    """Free chlorine where only total chlorine was measured: anything from none to all of it."""
    return Estimate(analyte="chlorine", value=total.value / 2, low=0.0, high=total.high, unit=total.unit,
                    budget=(Part(name="assumption", u=total.high / (2 * Z95), shared=True),))


def completed(sample: Sample) -> Inputs:
    """What was measured, and an assumption for each input that was not. Raises InputError for none at all."""
    given = with_hardness({e.analyte: e for e in sample.estimates})
    fraction = sample.calcium_fraction or calcium_fraction(given)
    if fraction is not None:
        given[CALCIUM_FRACTION] = fraction
    if not given.keys() & set(_JUDGED):
        raise InputError("there is nothing to assess", where=sample.name, found=", ".join(given) or "no values",
                         allowed="one or more of " + ", ".join(input_name(a) for a in _JUDGED))
    if "total-chlorine" in given and "chlorine" not in given:
        given["chlorine"] = _free_of_total(given["total-chlorine"])
    missing = tuple(a for key, a in ASSUMED.items() if key not in given)
    return Inputs(given | {a.estimate.analyte: a.estimate for a in missing}, missing)
