"""Cautions for any machine and for each treatment: hazard first, imperative; each sentence is defined only here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

HOT_SAMPLE: Final = "Boiler water scalds: let hot samples cool before dipping a strip."
PRESSURE: Final = (
    "Boilers are pressure vessels and can burst or scald: switch the machine off, let it cool and depressurise "
    "before opening anything. Work on pressurised parts is for licensed technicians."
)
LOCAL: Final = "Local codes and the manufacturer's instructions take precedence over this report."
POTABILITY: Final = "This report makes no statement on whether the water is safe to drink."
COMBINED: Final = (
    "The chlorine pad measures free chlorine only, not combined chlorine (chloramine): ask the water supplier which "
    "disinfectant is used."
)
DESCALING: Final = (
    "Descaling acids burn skin and eyes: wear gloves and eye protection, follow the manufacturer's procedure and "
    "rinse until no acid is left. NEVER mix acids with hypochlorite: toxic chlorine gas forms."
)


def general(*, scales: bool) -> Iterator[str]:
    """Yield the cautions for any machine, the most severe hazard first."""
    yield PRESSURE
    yield HOT_SAMPLE
    if scales:
        yield DESCALING
    yield COMBINED
    yield LOCAL
    yield POTABILITY


LOCAL_CODE: Final = (
    "Backflow can contaminate the drinking water: have a licensed installer fit backflow protection and a shut-off "
    "valve upstream. Follow local plumbing codes and the manufacturers' instructions."
)
FLUSH: Final = (
    "Water from a new or long unused unit is not fit to drink: flush the unit as its manufacturer states before "
    "use. Write the date on the unit."
)
DISINFECTANT: Final = (
    "Bacteria can grow downstream, because the unit removes the disinfectant: flush after stagnation, replace the "
    "cartridge when due, sanitise as the manufacturer states, avoid dead legs and stagnant tanks."
)
CHLORAMINE: Final = (
    "Plain carbon removes little chloramine (combined chlorine), and the strip does not measure chloramine: ask the "
    "water supplier which disinfectant is used."
)
SOFT_ACID: Final = (
    "Soft, acid water dissolves copper, lead and nickel from boilers and fittings: do not use a setting below "
    "the recommended one, do not use unsuitable metals downstream, flush water that stagnated overnight."
)
CARBONIC: Final = (
    "The exchange produces CO2, which escapes on standing and heating: pH is low at the outlet and higher in the "
    "boiler."
)
CHLORIDE_STAYS: Final = (
    "Chloride can corrode a steam boiler, where it concentrates: this treatment does not lower chloride."
)
SODIUM: Final = (
    "The treated water contains added sodium: inform people on a low-sodium diet; do NOT use the water for infant "
    "formula."
)
POTASSIUM: Final = (
    "The treated water contains added potassium: inform people with kidney disease or on a low-potassium diet that "
    "they must ask their doctor."
)
CAUSTIC: Final = (
    "Sodium and potassium bicarbonate make the water of a steam boiler caustic: it foams, is carried over with the "
    "steam and attacks brass. Drain the boiler regularly."
)
INHIBITOR: Final = (
    "Scale can form unnoticed: an inhibitor does not change the hardness, so strips do not show whether it works. "
    "Replace it by date and inspect the boiler. Polyphosphate decomposes in hot water; no effect is assumed in "
    "steam boilers."
)
FOOD_GRADE: Final = (
    "Impure or wrong salts contaminate drinking water: use only food-grade salts of the stated formula, weighed on "
    "a balance. The same salt without its crystal water is up to twice as strong. Dissolve each salt separately, "
    "label the stock solution, test the treated water with a strip."
)
DOSING: Final = (
    "Overdosed salts make drinking water harmful: dose in proportion to flow, with a pump that stops when flow, "
    "power or stock fails; set a maximum dose; fit backflow protection and a sampling tap; have a licensed "
    "installer commission the unit; flush and test the water before anyone drinks it."
)
CALCITE: Final = (
    "The calcite bed is consumed: refill and backwash it as its manufacturer states, and test hardness and pH "
    "downstream."
)
OSMOSIS_PLUMBING: Final = (
    "Pressure tanks can burst: release the pressure before opening. Connect the reject line to a drain with an air "
    "gap. Chlorine destroys membranes: fit carbon upstream."
)
PROBE: Final = (
    "The boiler can overfill or boil dry, because the level probe does not detect water of very low conductivity: "
    "NEVER feed permeate that is not remineralised."
)
HOT_DRAIN: Final = (
    "Hot water and steam scald: a steam boiler contains water above 100 °C under pressure. Switch the machine off, "
    "let it cool and the pressure fall to zero before draining, as the manufacturer describes."
)
MEMBRANE_SCALING: Final = (
    "Hard feed water can scale the membrane, because the reject is concentrated: ask the membrane's manufacturer "
    "for the highest recovery with this water, or for an antiscalant."
)
KEEP_TESTING: Final = (
    "The mains change with season and source: test on the date given, and after any work on the mains."
)

#: Order in which cautions are shown: injury, then drinking water, then the machine.
_SEVEREST_FIRST: Final = (
    HOT_DRAIN, DOSING, PROBE, OSMOSIS_PLUMBING, LOCAL_CODE, DISINFECTANT, SODIUM, POTASSIUM, FOOD_GRADE, FLUSH,
    SOFT_ACID, CAUSTIC, INHIBITOR, CHLORIDE_STAYS, MEMBRANE_SCALING, CALCITE, CHLORAMINE, CARBONIC, KEEP_TESTING,
)


def by_severity(cautions: Iterable[str]) -> tuple[str, ...]:
    """Return each caution once, the most severe hazard first."""
    return tuple(sorted(set(cautions), key=_SEVEREST_FIRST.index))
