"""Treatments of a catalogue, treatment trains, and treatments that need no unit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import msgspec

from assess.treatment.kinds import NONE, RESINS, TEST_INTERVAL, DrainAndRefresh, Exchange, filter_of, inhibitor_of
from assess.treatment.remineralisation import FINISHES, CalciteContact, MineralDosing, Osmosis
from assess.treatment.treatment import EXACT, Disinfectant, Setting, TreatedWater, Treatment, Variation
from assess.treatment.unit import LEVEL, Kind, TreatmentUnit, is_membrane
from shared.water import Vector, Water


class TreatmentStage(msgspec.Struct, frozen=True, kw_only=True):
    """One unit of a train, in order of flow."""

    kind: Kind
    name: str


@dataclass(frozen=True, slots=True)
class Train:
    """``main`` downstream of a ``filter`` with carbon."""

    filter: Treatment
    main: Treatment

    @property
    def id(self) -> str:
        """Id of the main treatment."""
        return self.main.id

    @property
    def kind(self) -> Kind:
        """The highest level."""
        return self.main.kind

    @property
    def name(self) -> str:
        """Both, in order of flow."""
        return f"{self.filter.name}, then {self.main.name}"

    @property
    def unit(self) -> TreatmentUnit | None:
        """The main unit."""
        return self.main.unit

    @property
    def setting(self) -> Setting | None:
        """Setting of the main unit."""
        return self.main.setting

    @property
    def cautions(self) -> tuple[str, ...]:
        """Cautions of both."""
        return tuple(dict.fromkeys((*self.main.cautions, *self.filter.cautions)))

    def treat(self, water: Water, setting: Vector | float, *, t_c: float, vary: Variation = EXACT) -> TreatedWater:
        """Return the main treatment's water, with the disinfectant that the carbon leaves."""
        before = self.filter.treat(water, 0.0, t_c=t_c).disinfectant
        made = self.main.treat(water, setting, t_c=t_c, vary=vary)
        left = Disinfectant(*(a * b for a, b in zip(before, made.disinfectant, strict=True)))
        return replace(made, disinfectant=left)


def stages(treatment: Treatment) -> tuple[TreatmentStage, ...]:
    """Return the stages in order of flow."""
    if isinstance(treatment, Train):
        after = (s for s in stages(treatment.main) if s.kind not in ("particle-filter", "carbon-filter"))
        return (*stages(treatment.filter), *after)
    unit, own = treatment.unit, TreatmentStage(kind=treatment.kind, name=treatment.name)
    if unit is None or treatment.kind in ("particle-filter", "carbon-filter"):
        return () if treatment.kind == "none" else (own,)
    before = [TreatmentStage(kind="particle-filter", name="prefilter")] if is_membrane(treatment.kind) else []
    if unit.carbon or unit.catalytic_carbon:
        before.append(TreatmentStage(kind="carbon-filter", name="carbon in the unit"))
    return (*before, own)


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
