"""Calcium, magnesium and hardness: any two give the third."""

from __future__ import annotations

from math import hypot
from typing import Final

from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.estimate import Z95, Estimate, Part
from shared.water import molar

#: Fraction of the hardness that is calcium. Not an analyte: it is computed or assumed, never measured.
CALCIUM_FRACTION: Final = "calcium fraction"
#: mg/L CaCO3 for each mg/L of the ion.
_AS_HARDNESS: Final = {"calcium": molar.CACO3 / molar.CA, "magnesium": molar.CACO3 / molar.MG}


def with_hardness(given: dict[str, Estimate]) -> dict[str, Estimate]:
    """Return the estimates with the hardness of calcium and magnesium, if only those were measured."""
    if "hardness" in given or not _AS_HARDNESS.keys() <= given.keys():
        return given
    value = sum(given[ion].value * factor for ion, factor in _AS_HARDNESS.items())
    half = hypot(*(_half(given[ion]) * factor for ion, factor in _AS_HARDNESS.items()))
    unit = ANALYTES["hardness"].unit
    return given | {"hardness": _shared("hardness", value, unit=unit, half=half, most=ANALYTES["hardness"].upper)}


def calcium_fraction(given: dict[str, Estimate]) -> Estimate | None:
    """Return the fraction if hardness and calcium or magnesium were measured.

    Raises InputError if the ion exceeds the hardness.
    """
    ion = next((i for i in _AS_HARDNESS if i in given), None)
    if ion is None or "hardness" not in given:
        return None
    part, whole = given[ion], given["hardness"]
    if part.low * _AS_HARDNESS[ion] > whole.high:
        raise InputError(f"there is more {ion} than hardness", where=f"{ion} and hardness",
                         found=f"{part.value * _AS_HARDNESS[ion]:.3g} mg/L CaCO3 of {ion} in "
                               f"{whole.value:.3g} mg/L CaCO3 of hardness",
                         remedy=f'check both values and units: "{ANALYTES[ion].unit}" is not "mg/L CaCO3"')
    share = min(1.0, part.value * _AS_HARDNESS[ion] / whole.value) if whole.value > 0 else 1.0
    half = share * hypot(*(_half(e) / e.value for e in (part, whole) if e.value > 0))
    return _shared(CALCIUM_FRACTION, share if ion == "calcium" else 1 - share, unit="of the hardness", half=half,
                   most=1.0)


def _half(estimate: Estimate) -> float:
    return (estimate.high - estimate.low) / 2


def _shared(analyte: str, value: float, *, unit: str, half: float, most: float) -> Estimate:
    part = Part(name="computed from calcium, magnesium and hardness", u=half / Z95, shared=True)
    return Estimate(analyte=analyte, value=value, low=max(0.0, value - half), high=min(most, value + half), unit=unit,
                    budget=(part,))
