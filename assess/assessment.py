"""The whole assessment: one value with everything a page, a terminal or a reviewer needs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import msgspec
import numpy as np

from assess.choice import MARGIN, is_softened
from assess.criteria import criteria_for
from assess.decision import DecisionRule, Verdict
from assess.diagnosis.diagnosis import diagnose
from assess.diagnosis.result import UnitDiagnosis
from assess.diagnosis.upstream import Upstream
from assess.draws import DRAWS, draw
from assess.equipment import Equipment
from assess.inputs.questions import questions
from assess.inputs.sample import Assumption, Sample, completed
from assess.judgement import Judge, Judgement, worst
from assess.limits import LimitSet, Severity
from assess.options import Option, Options, Policy, rank_options
from assess.plan import Plan, plan
from assess.scaling import BoilerScaling, Saturation, boiler_scaling, saturation
from assess.settings import ConfiguredTreatment
from assess.treatment import cautions
from assess.treatment.options import DisinfectantPresence, treatment_of, with_carbon
from assess.treatment.options import options as treatments
from assess.treatment.plain import NONE
from assess.treatment.softener import SoftenerBypass
from assess.treatment.treatment import Treatment
from assess.treatment.unit import TreatmentUnit
from assess.treatment_trial import TreatmentSimulator
from assess.warnings import WaterWarning, notes, warnings
from shared.errors import InputError
from shared.estimate import Estimate


class AssessmentProvenance(msgspec.Struct, frozen=True, kw_only=True):
    """Enough to make every number again: the seed is the hash of all inputs."""

    inputs_sha256: str
    draws: int
    rule: str
    limits: str
    software: str


class Assessment(msgspec.Struct, frozen=True, kw_only=True):
    """One water in one machine. ``judgements`` are by severity, the gravest first."""

    sample: str
    origin: str
    equipment: Equipment
    values: tuple[Estimate, ...]
    assumptions: tuple[Assumption, ...]
    questions: tuple[str, ...]
    warnings: tuple[WaterWarning, ...]
    notes: tuple[str, ...]
    judgements: tuple[Judgement, ...]
    plan: Plan
    options: tuple[Option, ...]
    saturation: Saturation
    boilers: tuple[BoilerScaling, ...]
    cautions: tuple[str, ...]
    provenance: AssessmentProvenance
    diagnosis: UnitDiagnosis | None = None

    @property
    def verdicts(self) -> dict[Severity, Verdict]:
        """The worst verdict of each severity; nothing is added up."""
        return worst(j for j in self.judgements if j.severity != "information")

    def any(self, verdict: Verdict) -> bool:
        """Whether some criterion that counts came out so."""
        return verdict in self.verdicts.values()


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessmentSetup:
    """What a water is judged against, and how. ``policy``: None leaves the choice to the machine's profile."""

    equipment: Equipment
    limits: LimitSet
    units: Mapping[str, TreatmentUnit]
    rule: DecisionRule = field(default_factory=DecisionRule)
    policy: Policy | None = None
    software: str = ""


def assess(sample: Sample, terms: AssessmentSetup, *, after: Sample | None = None,
           upstream: Upstream | None = None) -> Assessment:
    """The ``sample`` judged for the machine, with a diagnosis of the installed unit where both its waters are known.

    ``after``: treated water of the unit installed for this machine, the sample being its feed water. ``upstream``: unit
    and feed water where the sample itself is treated water. Pure: the same inputs give the same numbers.
    """
    inputs, digest = completed(sample), _digest(sample, terms, after, upstream)
    drawn = draw(inputs, np.random.default_rng(int(digest[:16], 16)))
    judge = Judge(terms.rule, inputs)
    judgements = judge.judge(criteria_for(terms.equipment, terms.limits), drawn)
    bench, fitted = TreatmentSimulator(terms.equipment, terms.limits, judge, drawn.feed), _fitted(terms)
    options = _options(bench, terms, fitted, drains=_concentrates(judgements))
    diagnosis = (_diagnosis(sample, terms, upstream) if after is None
                 else _diagnosis(after, terms, _fed_by(sample, terms)))
    return Assessment(
        sample=sample.name,
        origin=sample.origin,
        equipment=terms.equipment,
        values=sample.estimates,
        assumptions=inputs.assumptions,
        questions=questions(sample, inputs, drawn),
        notes=(*sample.notes, *terms.equipment.notes(), *notes(drawn.feed, inputs, terms.equipment)),
        warnings=tuple(warnings(drawn.feed, inputs, terms.equipment)),
        judgements=judgements,
        plan=plan(judgements, options, terms.equipment, diagnosis),
        options=options.all,
        diagnosis=diagnosis,
        saturation=saturation(drawn.feed),
        boilers=boiler_scaling(drawn.feed, terms.equipment),
        cautions=tuple(cautions.general(scales=_scales(judgements))),
        provenance=AssessmentProvenance(
            inputs_sha256=digest, draws=DRAWS, rule=terms.rule.words, limits=terms.limits.name, software=terms.software
        ),
    )


@dataclass(frozen=True, slots=True)
class _InstalledUnit:
    treatment: Treatment
    setting: float | None


def _fitted(terms: AssessmentSetup) -> _InstalledUnit | None:
    """The treatment in place. Raises InputError where the catalogue does not know it or its setting is missing."""
    said = terms.equipment.treatment
    if said is None:
        return None
    if said.unit not in terms.units:
        raise InputError("no such treatment unit", where=f"{terms.equipment.name}: treatment.unit",
                         found=repr(said.unit), allowed=", ".join(terms.units),
                         remedy="add it to your catalogue, or name one that is there")
    treatment = treatment_of(said.unit, _units(terms)[said.unit])
    if treatment.setting is not None and said.setting is None:
        raise InputError("the fitted unit can be turned, but its setting is not given",
                         where=f"{terms.equipment.name}: treatment.setting",
                         allowed=f"the {treatment.setting.name} as a fraction, 0 to 1")
    return _InstalledUnit(treatment, said.setting)


def _units(terms: AssessmentSetup) -> dict[str, TreatmentUnit]:
    """The catalogue, the profile's own numbers of the fitted unit before its."""
    units, said = dict(terms.units), terms.equipment.treatment
    if said is not None:
        own = {k: v for k in ("capacity_eq", "price", "currency") if (v := getattr(said, k)) is not None}
        units[said.unit] = msgspec.structs.replace(units[said.unit], **own)
    return units


def _options(
    bench: TreatmentSimulator, terms: AssessmentSetup, fitted: _InstalledUnit | None, *, drains: bool
) -> Options:
    """Options by the policy of the terms, else that of the machine's profile."""
    as_set = [] if fitted is None else [ConfiguredTreatment(fitted.treatment, fitted.setting)]
    trials = bench.try_all(_suited(bench, terms, drains=drains), as_set)
    policy = terms.policy or Policy(MARGIN if terms.equipment.margin is None else terms.equipment.margin,
                                    terms.equipment.prefer)
    return rank_options(bench, trials, policy, trials[-1] if as_set else None)


def _concentrates(judgements: tuple[Judgement, ...]) -> bool:
    """Whether chloride in a steam boiler is not known to be within limits: then draining it may help."""
    return any(j.limit.measure == "boiler-chloride" and j.verdict != "in" and not j.not_measured for j in judgements)


def _suited(bench: TreatmentSimulator, terms: AssessmentSetup, *, drains: bool) -> tuple[Treatment, ...]:
    """What can be done with this tap's water; nothing for a sample downstream of a unit."""
    if terms.equipment.downstream_of is not None:
        return (NONE,)
    found = tuple(with_carbon(treatments(_units(terms)), _disinfected(bench)))
    if not drains or not any(b.kind == "steam" for b in terms.equipment.boilers):
        found = tuple(t for t in found if t.kind != "drain-and-refresh")
    return (*found, SoftenerBypass()) if is_softened(bench.tap) else found


#: mg/L Cl2 from which a disinfectant has to be taken out upstream of a unit, and which a membrane notices.
_TO_TAKE_OUT: Final = 0.2
_NOTICED: Final = 0.02


def _disinfected(bench: TreatmentSimulator) -> DisinfectantPresence:
    measured = bench.judge.inputs.measured
    free = float(np.median(bench.tap.free_chlorine)) if "chlorine" in measured else 0.0
    combined = float(np.median(bench.tap.chloramine))
    return DisinfectantPresence(chlorine=free > _TO_TAKE_OUT, chloramine=combined > _TO_TAKE_OUT / 2,
                       any_chlorine=free > _NOTICED or "chlorine" not in measured)


def _fed_by(feed: Sample, terms: AssessmentSetup) -> Upstream:
    installed = terms.equipment.treatment
    if installed is None:
        raise InputError("a reading after treatment needs the treatment", where=feed.name,
                         remedy="state it in the equipment profile: table [treatment]")
    return Upstream(installed=installed, feed=feed)


def _diagnosis(treated: Sample, terms: AssessmentSetup, upstream: Upstream | None) -> UnitDiagnosis | None:
    if upstream is None:
        return None
    seed = hashlib.sha256(msgspec.json.encode((treated, upstream), order="sorted")).hexdigest()
    unit = treatment_of(upstream.installed.unit, terms.units[upstream.installed.unit])
    return diagnose(unit, upstream, treated, np.random.default_rng(int(seed[:16], 16)))


def _scales(judgements: tuple[Judgement, ...]) -> bool:
    return any(j.severity == "scale" and j.verdict != "in" for j in judgements)


def _digest(sample: Sample, terms: AssessmentSetup, after: Sample | None, upstream: Upstream | None) -> str:
    """SHA-256 (hex) of everything that bears on the numbers."""
    content: tuple[object, ...] = (
        sample, after, terms.equipment, terms.limits, terms.units, terms.rule.confidence, terms.policy)
    content = content if upstream is None else (*content, upstream)
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()
