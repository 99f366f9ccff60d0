"""Treatments of a catalogue, and those that need no unit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from assess.treatment.contact import CalciteContact
from assess.treatment.doses import MineralDosing
from assess.treatment.levels import LEVEL, Kind, is_membrane
from assess.treatment.osmosis import FINISHES, Osmosis
from assess.treatment.plain import NONE, TEST_INTERVAL, DrainAndRefresh, filter_of, inhibitor_of
from assess.treatment.resin import RESINS, Exchange
from assess.treatment.train import Train
from assess.treatment.treatment import Treatment
from assess.treatment.unit import TreatmentUnit

_MAKE: Final[dict[Kind, Callable[[str, TreatmentUnit], Treatment]]] = {
    "particle-filter": filter_of,
    "carbon-filter": filter_of,
    "scale-inhibitor": inhibitor_of,
    "calcite-contact": CalciteContact,
    "mineral-dosing": MineralDosing,
    **dict.fromkeys(RESINS, Exchange),
    **dict.fromkeys(FINISHES, Osmosis),
}


def treatment_of(id_: str, unit: TreatmentUnit) -> Treatment:
    """Return the treatment of a catalogue entry."""
    return _MAKE[unit.kind](id_, unit)


def options(units: Mapping[str, TreatmentUnit]) -> tuple[Treatment, ...]:
    """Return no treatment, another test interval, a drained boiler, and each unit of the catalogue in its order."""
    installed = tuple(treatment_of(id_, unit) for id_, unit in units.items())
    return (NONE, TEST_INTERVAL, DrainAndRefresh(), *installed)


@dataclass(frozen=True, slots=True)
class DisinfectantPresence:
    """Disinfectants of a tap that have to be removed."""

    chlorine: bool
    chloramine: bool
    any_chlorine: bool


def with_carbon(treatments: Iterable[Treatment], tap: DisinfectantPresence) -> Iterator[Treatment]:
    """Yield each treatment, downstream of a carbon filter of the list if it does not remove the disinfectant itself."""
    listed = tuple(treatments)
    filters = [t for t in listed if t.kind == "carbon-filter" and t.unit is not None]
    plain = next((t for t in filters if t.unit and t.unit.carbon), None)
    catalytic = next((t for t in filters if t.unit and t.unit.catalytic_carbon), None)
    for treatment in listed:
        unit = treatment.unit
        if unit is None or LEVEL[treatment.kind] <= LEVEL["carbon-filter"]:
            yield treatment
        elif tap.chloramine and not unit.catalytic_carbon and catalytic is not None:
            yield Train(catalytic, treatment)
        elif _needs_carbon(treatment, tap) and not (unit.carbon or unit.catalytic_carbon) and plain is not None:
            yield Train(plain, treatment)
        else:
            yield treatment


def _needs_carbon(treatment: Treatment, tap: DisinfectantPresence) -> bool:
    return tap.any_chlorine if is_membrane(treatment.kind) else tap.chlorine
