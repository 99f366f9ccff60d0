"""Registry of analytes: name, unit and physical limits of a value.

The upper limits are those of fresh water; a number above them is a typing error.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Analyte:
    """``unit``: unit of all stored values; ``lower`` and ``upper`` are in it."""

    id: str
    name: str
    unit: str
    lower: float
    upper: float

    def within(self, value: float) -> float:
        """Return ``value``, or the limit that it is beyond."""
        return min(max(value, self.lower), self.upper)


_TABLE: tuple[Analyte, ...] = (
    Analyte("hardness", "total hardness", "mg/L CaCO3", 0.0, 2000.0),
    Analyte("alkalinity", "total alkalinity", "mg/L CaCO3", 0.0, 2000.0),
    Analyte("ph", "pH", "pH", 0.0, 14.0),
    Analyte("chloride", "chloride", "mg/L Cl", 0.0, 5000.0),
    Analyte("chlorine", "free chlorine", "mg/L Cl2", 0.0, 50.0),
    Analyte("total-chlorine", "total chlorine", "mg/L Cl2", 0.0, 50.0),
    Analyte("calcium", "calcium", "mg/L Ca", 0.0, 800.0),
    Analyte("magnesium", "magnesium", "mg/L Mg", 0.0, 500.0),
    Analyte("sodium", "sodium", "mg/L Na", 0.0, 3500.0),
    Analyte("potassium", "potassium", "mg/L K", 0.0, 500.0),
    Analyte("sulfate", "sulfate", "mg/L SO4", 0.0, 3000.0),
    Analyte("nitrate", "nitrate", "mg/L NO3", 0.0, 500.0),
    Analyte("iron", "iron", "mg/L Fe", 0.0, 50.0),
    Analyte("silica", "dissolved silica", "mg/L SiO2", 0.0, 200.0),
    Analyte("conductivity", "conductivity at 25 °C", "µS/cm", 0.0, 20000.0),
    Analyte("tds", "total dissolved solids", "mg/L", 0.0, 15000.0),
    Analyte("temperature", "temperature", "°C", 0.0, 150.0),
)

#: Every analyte by its id, in the order in which they are shown.
ANALYTES: dict[str, Analyte] = {a.id: a for a in _TABLE}


def input_name(key: str) -> str:
    """Return the name of an analyte, or the input's own."""
    known = ANALYTES.get(key)
    return known.name if known else key


def capitalise(words: str) -> str:
    """Return words with a capital as they begin a sentence; "pH" is unchanged."""
    return words if words.startswith("pH") else words[:1].upper() + words[1:]
