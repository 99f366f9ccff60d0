"""Quantities that can be limited, with their unit and the analytes that must be measured.

They are computed in ``assess.criteria``; limits files are checked against this table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Group = Literal["scale", "corrosion", "probe", "cup"]
Place = Literal["feed", "boiler", "probe"]


@dataclass(frozen=True, slots=True)
class Measure:
    """``needs``: analytes that must be measured for a verdict.

    ``optional``: not judged at all if one of them was not measured.
    """

    id: str
    name: str
    unit: str
    group: Group
    place: Place
    needs: tuple[str, ...]
    optional: bool = False


_CALCITE = ("hardness", "alkalinity", "ph")

_TABLE = (
    Measure("scale", "scale", "mg/L CaCO3", "scale", "boiler", _CALCITE),
    Measure("scale-weight", "scale mass", "g/week", "scale", "boiler", _CALCITE),
    Measure("scale-thickness", "scale thickness", "mm/year", "scale", "boiler", _CALCITE),
    Measure("boiler-chloride", "chloride in the boiler", "mg/L Cl", "corrosion", "boiler", ("chloride",)),
    Measure("chloride", "chloride", "mg/L Cl", "corrosion", "feed", ("chloride",)),
    Measure("soft-acid", "pH of a poorly buffered water", "pH", "corrosion", "feed", ("ph", "alkalinity")),
    Measure("copper-acid", "pH on copper and brass", "pH", "corrosion", "boiler", ("ph",)),
    Measure("metal-chlorine", "free chlorine on metal", "mg/L Cl2", "corrosion", "feed", ("chlorine",)),
    Measure("larson-skold", "Larson-Skold index", "meq/meq", "corrosion", "feed",
            ("chloride", "alkalinity", "sulfate")),
    Measure("conductivity", "conductivity at the level probe", "µS/cm", "probe", "probe",
            ("hardness", "alkalinity", "chloride")),
    Measure("hardness", "total hardness", "mg/L CaCO3", "cup", "feed", ("hardness",)),
    Measure("calcium-hardness", "calcium hardness", "mg/L CaCO3", "cup", "feed", ("hardness",)),
    Measure("alkalinity", "total alkalinity", "mg/L CaCO3", "cup", "feed", ("alkalinity",)),
    Measure("ph", "pH", "pH", "cup", "feed", ("ph",)),
    Measure("chlorine", "free chlorine", "mg/L Cl2", "cup", "feed", ("chlorine",)),
    Measure("chloramine", "combined chlorine (chloramine)", "mg/L Cl2", "cup", "feed",
            ("total-chlorine",), optional=True),
    Measure("sodium", "sodium", "mg/L Na", "cup", "feed", ("hardness", "alkalinity", "chloride")),
    Measure("salt", "salt to taste", "mg/L NaCl", "cup", "feed", ("chloride",)),
)

#: Every measure by its id, in the order in which verdicts of equal severity are shown.
MEASURES: dict[str, Measure] = {m.id: m for m in _TABLE}
