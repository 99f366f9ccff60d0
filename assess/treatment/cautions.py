"""Cautions on each treatment: hazard first, imperative, each sentence defined only here."""

from __future__ import annotations

from typing import Final

LOCAL_CODE: Final = (
    "Plumbing is subject to local codes. Have a licensed installer fit backflow protection and a shut-off valve "
    "upstream, and follow the manufacturers' instructions for unit and machine."
)
FLUSH: Final = (
    "Flush a new unit, or one that was out of use, as its manufacturer states before anyone drinks the water. "
    "Write the date on the unit."
)
DISINFECTANT: Final = (
    "Bacteria can grow downstream, because the unit removes the disinfectant. Flush after stagnation, replace the "
    "cartridge when due, sanitise as the manufacturer states, avoid dead legs and stagnant tanks."
)
CHLORAMINE: Final = (
    "Plain carbon removes little chloramine (combined chlorine), and the strip does not measure it. Ask the water "
    "supplier which disinfectant is used."
)
SOFT_ACID: Final = (
    "Soft, acid water dissolves copper, lead and nickel from boilers and fittings. Retain some alkalinity, do not "
    "use unsuitable metals downstream, flush water that stagnated overnight."
)
CARBONIC: Final = (
    "The exchange produces CO2, which escapes on standing and heating: pH is low at the tap, higher in the boiler."
)
CHLORIDE_STAYS: Final = "It does not lower chloride; in a steam boiler chloride still concentrates."
SODIUM: Final = (
    "The treated water contains added sodium. Inform people on a low-sodium diet; do NOT use it for infant formula."
)
POTASSIUM: Final = (
    "The treated water contains added potassium. Inform people with kidney disease or on a restricted diet; they must "
    "ask their doctor."
)
CAUSTIC: Final = (
    "Sodium and potassium bicarbonate make the water of a steam boiler caustic: it foams, is carried over and attacks "
    "brass. Drain the boiler regularly."
)
INHIBITOR: Final = (
    "An inhibitor does not change hardness, so readings do not show whether it works: replace it by date and inspect "
    "the boiler. Polyphosphate decomposes in hot water; no effect is assumed in steam boilers."
)
FOOD_GRADE: Final = (
    "Use food-grade salts of the stated formula only, weighed on a balance: the same salt without its crystal "
    "water is up to twice as strong. Dissolve each salt separately, label the stock, test the blend with a strip."
)
DOSING: Final = (
    "Salts are dosed into drinking water: dose in proportion to flow, with a pump that stops when flow, power or stock "
    "fails; fit a maximum dose, backflow protection and a sampling tap; have a licensed installer commission it; flush "
    "and test the water before anyone drinks it."
)
CALCITE: Final = (
    "Calcite is used up: top up and backwash the bed as its maker states, and test hardness and pH downstream."
)
OSMOSIS_PLUMBING: Final = (
    "Pressure tanks are pressure vessels: release the pressure before opening. Chlorine destroys membranes: fit carbon "
    "upstream. Lead the reject to a drain with an air gap."
)
PROBE: Final = (
    "The boiler can overfill or boil dry: the level probe does not detect water of very low conductivity. NEVER feed "
    "permeate that is not remineralised."
)
HOT_DRAIN: Final = (
    "Hot water and steam scald: a steam boiler contains water above 100 °C under pressure. Switch the machine off, let "
    "it cool and the pressure fall to zero before draining, as the manufacturer describes."
)
KEEP_TESTING: Final = (
    "The mains change with season and source. Test on the date given, and after any work on the mains."
)
