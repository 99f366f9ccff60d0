"""What to mind with each treatment: every sentence of caution stands here and nowhere else."""

from __future__ import annotations

from typing import Final

LOCAL_CODE: Final = (
    "Plumbing is subject to local codes; let a licensed fitter do it, with backflow protection and a shut-off "
    "in front, and follow the makers' instructions of unit and machine."
)
FLUSH: Final = "Flush a new or rested unit as its maker says before anyone drinks from it, and write the date on it."
DISINFECTANT: Final = (
    "It takes out the disinfectant: germs can grow behind it. Flush after standing, change in time, sanitise "
    "as the maker says, avoid dead legs and tanks that stand."
)
CHLORAMINE: Final = (
    "Plain carbon leaves chloramine (combined chlorine) nearly untouched, and the strip does not see it: ask "
    "the water supplier which is used."
)
SOFT_ACID: Final = (
    "Soft, acid water dissolves copper, lead and nickel from boilers and fittings: keep some alkalinity, do "
    "not run it through unsuitable metal, flush what stood overnight."
)
CARBONIC: Final = "The CO2 it makes leaves on standing and heating: the pH at the tap is low, in the boiler higher."
CHLORIDE_STAYS: Final = "It does not lower chloride; in a steam boiler chloride still concentrates."
SODIUM: Final = "It adds sodium: tell people on a low-sodium diet; do not use it for infants' formula."
POTASSIUM: Final = (
    "It adds potassium: people with kidney disease or on a restricted diet must be told and ask their doctor."
)
CAUSTIC: Final = (
    "Sodium and potassium bicarbonate turn caustic in a steam boiler: foaming, carry-over and attack on brass; "
    "drain the boiler regularly."
)
INHIBITOR: Final = (
    "It changes no reading: hardness stays, so go by time and inspection. Polyphosphate breaks down in hot "
    "water; no credit is given in steam boilers."
)
FOOD_GRADE: Final = (
    "Use food-grade salts of the stated formula only, weighed on a balance: the same salt without its crystal "
    "water is a third to twice as strong. Dissolve each apart, label the stock, check the blend with a reading."
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
    "Membranes need carbon in front (chlorine destroys them); the reject goes to a drain with an air gap; "
    "pressure tanks are pressure vessels: release the pressure before opening."
)
PROBE: Final = (
    "Pure water may be too poorly conducting for the boiler's level probe: the boiler can overfill or boil "
    "dry. Never feed bare permeate."
)
HOT_DRAIN: Final = (
    "A steam boiler holds water above 100 °C under pressure: switch off, let it cool and the pressure fall to "
    "zero before draining, as the maker describes; hot water scalds."
)
KEEP_TESTING: Final = (
    "Supplies change with season and source: keep to the date of the next test, and test after any work on the mains."
)
