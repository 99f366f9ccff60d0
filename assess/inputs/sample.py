"""Values of one water, measured or typed, and the assumptions for those that are missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from typing import Final, Literal

import msgspec

from shared.analytes import ANALYTES, input_name
from shared.errors import InputError
from shared.estimate import Z95, Correlation, Estimate, Part, Status
from shared.water import molar

#: Fraction of the hardness that is calcium. Not an analyte: it is computed or assumed, never measured.
CALCIUM_FRACTION: Final = "calcium fraction"
#: mg/L CaCO3 for each mg/L of the ion.
_AS_HARDNESS: Final = {"calcium": molar.CACO3 / molar.CA, "magnesium": molar.CACO3 / molar.MG}


def with_hardness(given: dict[str, Estimate]) -> dict[str, Estimate]:
    """Return the estimates with the hardness of calcium and magnesium, if only those were measured."""
    if "hardness" in given or not _AS_HARDNESS.keys() <= given.keys():
        return given
    ions = [(given[ion], factor) for ion, factor in _AS_HARDNESS.items()]
    return given | {"hardness": _bounded_sum(ions) or _sum(ions)}


def _sum(ions: Sequence[tuple[Estimate, float]]) -> Estimate:
    value = sum(_middle(e) * factor for e, factor in ions)
    half = hypot(*(_half(e) * factor for e, factor in ions))
    known = ANALYTES["hardness"]
    return _shared("hardness", value, unit=known.unit, half=half, most=known.upper)


def _bounded_sum(ions: Sequence[tuple[Estimate, float]]) -> Estimate | None:
    """Hardness of which only one end is known: both ions are below their ranges, or one is above; else None."""
    states = {e.status for e, _ in ions}
    status: Status | None = "above" if "above" in states else "below" if states == {"below"} else None
    if status is None:
        return None
    known = ANALYTES["hardness"]
    low, value, high = (known.within(sum(x * f for x, (_, f) in zip(ends, ions, strict=True)))
                        for ends in zip(*((e.low, e.value, e.high) for e, _ in ions), strict=True))
    return Estimate(analyte="hardness", value=value, low=low, high=high, unit=known.unit, status=status)


def calcium_fraction(given: dict[str, Estimate]) -> Estimate | None:
    """Return the fraction if hardness and calcium or magnesium were measured.

    Raises InputError if the ion exceeds the hardness.
    """
    ion = next((i for i in _AS_HARDNESS if i in given), None)
    if ion is None or "hardness" not in given:
        return None
    part, whole = given[ion], given["hardness"]
    if part.low * _AS_HARDNESS[ion] > whole.high:
        raise InputError(f"{ion} exceeds the hardness", where=f"{ion} and hardness",
                         found=f"{part.value * _AS_HARDNESS[ion]:.3g} mg/L CaCO3 of {ion} in "
                               f"{whole.value:.3g} mg/L CaCO3 of hardness",
                         remedy=f'check both values and units: "{ANALYTES[ion].unit}" is not "mg/L CaCO3"')
    amount, total = _middle(part), _middle(whole)
    share = min(1.0, amount * _AS_HARDNESS[ion] / total) if total > 0 else 1.0
    half = share * hypot(*(_half(e) / middle for e, middle in ((part, amount), (whole, total)) if middle > 0))
    return _shared(CALCIUM_FRACTION, share if ion == "calcium" else 1 - share, unit="of the hardness", half=half,
                   most=1.0)


def _middle(estimate: Estimate) -> float:
    """The value; of one below the range, of which only the bound is known, the middle between zero and the bound."""
    return (estimate.low + estimate.high) / 2 if estimate.status == "below" else estimate.value


def _half(estimate: Estimate) -> float:
    return (estimate.high - estimate.low) / 2


def _shared(analyte: str, value: float, *, unit: str, half: float, most: float) -> Estimate:
    part = Part(name="computed from calcium, magnesium and hardness", u=half / Z95, shared=True)
    return Estimate(analyte=analyte, value=value, low=max(0.0, value - half), high=min(most, value + half), unit=unit,
                    budget=(part,))


Origin = Literal["strip", "typed", "laboratory"]


class Sample(msgspec.Struct, frozen=True, kw_only=True):
    """Estimates by analyte, each at most once; ``notes``: remarks of the reading or of the entry.

    ``correlations``: of the errors of values that one photograph gave.
    """

    name: str
    origin: Origin
    estimates: tuple[Estimate, ...]
    calcium_fraction: Estimate | None = None
    notes: tuple[str, ...] = ()
    correlations: tuple[Correlation, ...] = ()

    def __post_init__(self) -> None:
        ids = [e.analyte for e in self.estimates]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise InputError("the same analyte is given twice", where=self.name, found=", ".join(twice))

    def get(self, analyte: str) -> Estimate | None:
        """The estimate of an analyte, None where it was not measured."""
        return next((e for e in self.estimates if e.analyte == analyte), None)

    def joined(self, more: Sample) -> Sample:
        """Return the sample with the values of ``more``. Raises InputError if both contain the same analyte."""
        return msgspec.structs.replace(
            self, estimates=self.estimates + more.estimates, notes=self.notes + more.notes,
            correlations=self.correlations + more.correlations,
            calcium_fraction=more.calcium_fraction or self.calcium_fraction)


class Assumption(msgspec.Struct, frozen=True, kw_only=True):
    """A value that was not measured: drawn from its interval like a measured value, and reported."""

    estimate: Estimate
    why: str


def _assumed(analyte: str, interval: tuple[float, float, float], unit: str, why: str) -> Assumption:
    """``interval``: low, value, high."""
    low, value, high = interval
    u = (high - low) / (2 * Z95)
    return Assumption(why=why, estimate=Estimate(
        analyte=analyte, value=value, low=low, high=high, unit=unit,
        budget=(Part(name="assumption", u=u, shared=True),)))


#: At least one of these is needed.
_JUDGED = ("hardness", "alkalinity", "ph", "chloride", "chlorine", "total-chlorine", "conductivity", "tds")

#: Assumptions for values that were not measured, wide enough that no verdict depends on them.
ASSUMED: dict[str, Assumption] = {a.estimate.analyte: a for a in (
    _assumed("hardness", (0.0, 120.0, 400.0), "mg/L CaCO3",
             "Hardness was not measured; drinking water ranges from soft to very hard."),
    _assumed("alkalinity", (0.0, 100.0, 350.0), "mg/L CaCO3",
             "Alkalinity was not measured; in drinking water it ranges from almost none to very high."),
    _assumed("ph", (6.5, 7.5, 8.5), "pH",
             "pH was not measured; US EPA's secondary standard (40 CFR 143.3) for drinking water is 6.5 to 8.5."),
    _assumed("chloride", (0.0, 40.0, 250.0), "mg/L Cl",
             "Chloride was not measured; US EPA's secondary standard (40 CFR 143.3) allows 250 mg/L."),
    _assumed("chlorine", (0.0, 0.2, 1.0), "mg/L Cl2",
             "Free chlorine was not measured; mains contain a few tenths of a mg/L (common practice, no source)."),
    _assumed("sulfate", (0.0, 25.0, 100.0), "mg/L SO4",
             "Sulfate was not measured (assumption: common practice, no source); it reduces saturation slightly."),
    _assumed("temperature", (10.0, 18.0, 26.0), "°C",
             "The temperature of the sample was not given; cold tap water to room temperature is assumed."),
    _assumed(CALCIUM_FRACTION, (0.5, 0.75, 0.95), "of the hardness",
             "Calcium was not measured; 0.7 to 0.8 of the hardness is typical (common practice, no source), "
             "0.5 to 0.95 is assumed."),
)}


@dataclass(frozen=True, slots=True)
class Inputs:
    """Every input of the chemical model by id, which of them were assumed, and which are correlated."""

    estimates: dict[str, Estimate]
    assumptions: tuple[Assumption, ...]
    correlations: tuple[Correlation, ...] = ()

    @property
    def measured(self) -> frozenset[str]:
        """Ids of the inputs that were measured."""
        return frozenset(self.estimates) - {a.estimate.analyte for a in self.assumptions}


def _free_of_total(total: Estimate) -> Estimate:
    """Free chlorine if only total chlorine was measured: anything from zero to the total."""
    return Estimate(analyte="chlorine", value=total.value / 2, low=0.0, high=total.high, unit=total.unit,
                    budget=(Part(name="assumption", u=total.high / (2 * Z95), shared=True),))


def completed(sample: Sample, prior: Mapping[str, Assumption] | None = None) -> Inputs:
    """Return measured values, and an assumption for each missing input. Raises InputError without any value.

    ``prior``: what is known of this water besides the sample, by id; it replaces the general assumption.
    """
    given = with_hardness({e.analyte: e for e in sample.estimates})
    fraction = sample.calcium_fraction or calcium_fraction(given)
    if fraction is not None:
        given[CALCIUM_FRACTION] = fraction
    if not given.keys() & set(_JUDGED):
        raise InputError("no value to assess", where=sample.name, found=", ".join(given) or "no values",
                         allowed="one or more of " + ", ".join(input_name(a) for a in _JUDGED))
    if "total-chlorine" in given and "chlorine" not in given:
        given["chlorine"] = _free_of_total(given["total-chlorine"])
    missing = tuple((prior or {}).get(key, a) for key, a in ASSUMED.items() if key not in given)
    return Inputs(given | {a.estimate.analyte: a.estimate for a in missing}, missing, sample.correlations)
