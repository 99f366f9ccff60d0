"""Every treatment there is to try: those of a catalogue, and those that need no unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from assess.treatment.osmosis import FINISHES, Osmosis
from assess.treatment.plain import NONE, TEST_INTERVAL, DrainAndRefresh, filter_of, inhibitor_of
from assess.treatment.resin import RESINS, Exchange
from assess.treatment.treatment import Treatment
from assess.treatment.unit import Kind, TreatmentUnit

_MAKE: Final[dict[Kind, Callable[[str, TreatmentUnit], Treatment]]] = {
    "particle-filter": filter_of,
    "carbon-filter": filter_of,
    "scale-inhibitor": inhibitor_of,
    **dict.fromkeys(RESINS, Exchange),
    **dict.fromkeys(FINISHES, Osmosis),
}


def treatment_of(id_: str, unit: TreatmentUnit) -> Treatment:
    """The treatment that a catalogue entry makes."""
    return _MAKE[unit.kind](id_, unit)


def options(units: Mapping[str, TreatmentUnit]) -> tuple[Treatment, ...]:
    """No treatment, another test interval, a drained boiler, and each unit of the catalogue, in its order."""
    fitted = tuple(treatment_of(id_, unit) for id_, unit in units.items())
    return (NONE, TEST_INTERVAL, DrainAndRefresh(), *fitted)
