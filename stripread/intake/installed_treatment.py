"""The treatment that a machine's water goes through, from the units and the work on them that are kept."""

from __future__ import annotations

import msgspec

from assess.equipment import Equipment, Fitted
from assess.treatment.options import treatment_of
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.trend.events import is_removed, services, unit_upstream
from stripread.store.models.sites import Machine, SamplingPoint, Unit
from stripread.store.store import Store


def with_installed_treatment(store: Store, machine: Machine, point: SamplingPoint) -> Equipment:
    """The machine as a water of this point meets it.

    Of the mains: with the treatment between, as its profile states it, else the only unit that is stored for it.
    Downstream of that: with the name of the unit that the water has passed. When a recorded unit is to be changed is
    computed once, for the schedule (`trend.ends`), not again from each reading: its day of fitting is left out.
    """
    said = machine.equipment
    if point.place != "mains":
        return msgspec.structs.replace(said, treatment=None, downstream_of=_passed(store, machine, point))
    if said.treatment is None:
        return msgspec.structs.replace(said, treatment=_of_units(store, machine))
    recorded = any(unit.machine in (None, machine.id) for unit in store.find(Unit, site=machine.site))
    treatment = msgspec.structs.replace(said.treatment, fitted=None) if recorded else said.treatment
    return msgspec.structs.replace(said, treatment=treatment)


def _passed(store: Store, machine: Machine, point: SamplingPoint) -> str | None:
    """Name of the unit upstream of a point; None where no treatment is recorded there."""
    there = store.find(Unit, site=machine.site)
    unit = unit_upstream(point, there, {u.id for u in there if is_removed(services(store, u))})
    if unit is not None:
        return unit.unit.name
    stated = machine.equipment.treatment
    if stated is not None:
        return stated.unit
    return "a treatment unit that is not recorded" if point.place == "after treatment" else None


def _of_units(store: Store, machine: Machine) -> Fitted | None:
    """The only unit fitted; None where there is none, or too little is known to simulate it."""
    work = {unit.id: services(store, unit) for unit in store.find(Unit, site=machine.site)
            if unit.machine in (None, machine.id)}
    fitted = [id_ for id_, services in work.items() if not is_removed(services)]
    if len(fitted) != 1:
        return None
    unit, services, known = store.get(Unit, fitted[0]), work[fitted[0]], catalogue(own_terms(store))
    setting = next((s.setting for s in reversed(services) if s.setting is not None), None)
    if unit.catalogue not in known:
        return None
    if setting is None and treatment_of(unit.catalogue, unit.unit).setting is not None:
        return None
    return Fitted(unit=unit.catalogue, setting=setting, capacity_eq=unit.unit.capacity_eq)
