"""Treatment trains: a carbon filter upstream of a treatment that leaves the disinfectant."""

from __future__ import annotations

from dataclasses import dataclass, replace

import msgspec

from assess.treatment.levels import Kind, is_membrane
from assess.treatment.treatment import EXACT, Disinfectant, Setting, TreatedWater, Treatment, Variation
from assess.treatment.unit import TreatmentUnit
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
