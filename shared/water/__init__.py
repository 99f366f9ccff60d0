"""Solution chemistry of drinking water from 0 to 150 °C: pH, calcite, CO2, mixing, concentrating.

Concentrations are mol/L of the total element, alkalinity eq/L; one litre is taken as one kilogram of water,
so heating changes no concentration. Every function takes arrays of any common shape.
"""

from shared.water.boiler import (
    AIR_PCO2,
    STEAM_PCO2,
    STEAM_PCO2_SD,
    DegassedWater,
    fully_degassed,
    open_to_air,
    ph_in_air,
)
from shared.water.composition import Vector, Water, mix
from shared.water.equilibrium import Speciation, speciate
from shared.water.indices import (
    ccpp,
    ccpp_open,
    conductivity,
    larson_skold,
    scale_grams,
    scale_millimetres,
    scale_upper_bound,
    si_model_sd,
)
from shared.water.reading import BalancedWater, ChargeBalance, WaterReading, balance_charge

__all__ = [
    "AIR_PCO2",
    "STEAM_PCO2",
    "STEAM_PCO2_SD",
    "BalancedWater",
    "ChargeBalance",
    "DegassedWater",
    "Speciation",
    "Vector",
    "Water",
    "WaterReading",
    "balance_charge",
    "ccpp",
    "ccpp_open",
    "conductivity",
    "fully_degassed",
    "larson_skold",
    "mix",
    "open_to_air",
    "ph_in_air",
    "scale_grams",
    "scale_millimetres",
    "scale_upper_bound",
    "si_model_sd",
    "speciate",
]
