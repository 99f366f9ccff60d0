"""What a water is assessed for: machine, limits, treatment units, decision rule."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import msgspec

from assess.choice import MARGIN
from assess.decision import DecisionRule
from assess.diagnosis.result import Upstream
from assess.equipment import Equipment
from assess.inputs.sample import Assumption, Sample
from assess.limits import LimitSet
from assess.options import Policy
from assess.treatment.options import treatment_of
from assess.treatment.treatment import Treatment
from assess.treatment.unit import TreatmentUnit
from shared.errors import InputError


def _content(sample: Sample) -> dict[str, Any]:
    """The sample as plain data. Without correlations they are omitted: samples from before have the same digest."""
    content: dict[str, Any] = msgspec.to_builtins(sample)
    if not sample.correlations:
        del content["correlations"]
    return content


@dataclass(frozen=True, slots=True)
class InstalledUnit:
    """A treatment in place and its setting."""

    treatment: Treatment
    setting: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessmentSetup:
    """Machine, limits, catalogue of units and rule. ``policy``: None leaves the choice to the machine's profile.

    ``prior``: what is known of the water besides its sample, such as its supplier's yearly averages, by id.
    """

    equipment: Equipment
    limits: LimitSet
    units: Mapping[str, TreatmentUnit]
    rule: DecisionRule = field(default_factory=DecisionRule)
    policy: Policy | None = None
    software: str = ""
    prior: Mapping[str, Assumption] = field(default_factory=dict)

    @property
    def choice_policy(self) -> Policy:
        """The policy that was asked for, else that of the machine's profile."""
        machine = self.equipment
        return self.policy or Policy(MARGIN if machine.margin is None else machine.margin, machine.prefer)

    def digest(self, sample: Sample, after: Sample | None, upstream: Upstream | None) -> str:
        """Return the SHA-256 (hex) of everything that affects the numbers."""
        content = (_content(sample), None if after is None else _content(after), upstream, self.equipment, self.limits,
                   self.units, self.rule.confidence, self.policy,
                   *([self.prior] if self.prior else []))
        return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()

    def catalogue(self) -> dict[str, TreatmentUnit]:
        """Return the units; the profile's own numbers of the installed unit replace those of the catalogue."""
        units, stated = dict(self.units), self.equipment.treatment
        if stated is not None:
            own = {k: v for k in ("capacity_eq", "price", "currency") if (v := getattr(stated, k)) is not None}
            units[stated.unit] = msgspec.structs.replace(units[stated.unit], **own)
        return units

    def installed(self) -> InstalledUnit | None:
        """Return the treatment in place. Raises InputError for an unknown unit or a missing setting."""
        stated = self.equipment.treatment
        if stated is None:
            return None
        where = f"{self.equipment.name}: treatment"
        if stated.unit not in self.units:
            raise InputError("no such treatment unit", where=f"{where}.unit", found=repr(stated.unit),
                             allowed=", ".join(self.units),
                             remedy="add it to your catalogue, or name one that is in it")
        treatment = treatment_of(stated.unit, self.catalogue()[stated.unit])
        if treatment.setting is not None and stated.setting is None:
            raise InputError("the setting of the installed unit is missing", where=f"{where}.setting",
                             allowed=f"the {treatment.setting.name} as a fraction, 0 to 1")
        return InstalledUnit(treatment, stated.setting)
