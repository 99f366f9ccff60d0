"""The whole assessment of a sample: everything that a page, a terminal or a reviewer needs."""

from __future__ import annotations

from typing import Final, NamedTuple

import msgspec
import numpy as np

from assess.choice import is_softened
from assess.criteria import criteria_for
from assess.decision import VERDICTS, Verdict
from assess.diagnosis.diagnosis import diagnose
from assess.diagnosis.result import UnitDiagnosis, Upstream
from assess.draws import DRAWS, DrawnFeed, draw, generator_of
from assess.equipment import Equipment
from assess.inputs.sample import Assumption, Inputs, Sample, completed
from assess.judgement import Judge, Judgement, worst
from assess.limits import Severity
from assess.next_measurement import measure_first
from assess.options import Option, Options, choose, measured_first, rank_options, upkeeps
from assess.plan import Plan, plan
from assess.settings import ConfiguredTreatment
from assess.setup import AssessmentSetup, InstalledUnit
from assess.treatment import cautions
from assess.treatment.kinds import NONE, SoftenerBypass
from assess.treatment.options import DisinfectantPresence, treatment_of, with_carbon
from assess.treatment.options import options as treatments
from assess.treatment.treatment import Treatment
from assess.treatment.unit import Kind
from assess.treatment_trial import TreatmentSimulator
from assess.warnings import WaterWarning, notes, questions, warnings
from assess.water_properties import BoilerScaling, Saturation, boiler_scaling, saturation
from shared.errors import InputError
from shared.estimate import Estimate

#: mg/L Cl2 from which a disinfectant has to be removed upstream of a unit, and which harms a membrane.
_TO_REMOVE: Final = 0.2
_HARMFUL: Final = 0.02


def ranked_options(setup: AssessmentSetup, simulator: TreatmentSimulator, judgements: tuple[Judgement, ...],
                   installed: InstalledUnit | None = None) -> Options:
    """Return every treatment that suits the tap as an option, the recommended one first; and the installed unit."""
    suitable = _suitable(setup, simulator, concentrates=_concentrates(judgements))
    as_set = [] if installed is None else [ConfiguredTreatment(installed.treatment, installed.setting)]
    trials = simulator.try_all(suitable, as_set)
    return rank_options(simulator, trials, setup.choice_policy, trials[-1] if as_set else None)


def recommended_kind(setup: AssessmentSetup, simulator: TreatmentSimulator) -> Kind:
    """Return the kind of the treatment that would be recommended; the options themselves are not made."""
    (judgements,) = simulator.judge.outcomes(criteria_for(setup.equipment, setup.limits), simulator.full, 1)
    trials = simulator.try_all(_suitable(setup, simulator, concentrates=_concentrates(judgements)))
    return choose(setup.choice_policy, trials, upkeeps(simulator, trials)).first.treatment.kind


def _concentrates(judgements: tuple[Judgement, ...]) -> bool:
    """Whether chloride in a boiler is not known to be within limits: then draining it may help."""
    return any(j.limit.measure == "boiler-chloride" and j.verdict != "within-limits" and not j.not_measured
               for j in judgements)


def _suitable(setup: AssessmentSetup, simulator: TreatmentSimulator, *, concentrates: bool) -> tuple[Treatment, ...]:
    """Treatments for this tap's water; only "none" for a sample downstream of a unit."""
    if setup.equipment.downstream_of is not None:
        return (NONE,)
    found = tuple(with_carbon(treatments(setup.catalogue()), _disinfectants(simulator)))
    if not concentrates or not any(b.kind == "steam" for b in setup.equipment.boilers):
        found = tuple(t for t in found if t.kind != "drain-and-refresh")
    return (*found, SoftenerBypass()) if is_softened(simulator.tap) else found


def _disinfectants(simulator: TreatmentSimulator) -> DisinfectantPresence:
    measured, tap = simulator.judge.inputs.measured, simulator.tap
    free = float(np.median(tap.free_chlorine)) if "chlorine" in measured else 0.0
    combined = float(np.median(tap.chloramine))
    return DisinfectantPresence(chlorine=free > _TO_REMOVE, chloramine=combined > _TO_REMOVE / 2,
                                any_chlorine=free > _HARMFUL or "chlorine" not in measured)


class AssessmentProvenance(msgspec.Struct, frozen=True, kw_only=True):
    """What is needed to reproduce every number; the values themselves are the seed (`assess.draws.generator_of`)."""

    inputs_sha256: str
    draws: int
    rule: str
    limits: str
    software: str


class Assessment(msgspec.Struct, frozen=True, kw_only=True):
    """Assessment of one water for one machine. ``judgements`` are ordered by severity, the most severe first."""

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
        """The worst verdict of each severity; verdicts are never added up."""
        return worst(j for j in self.judgements if j.severity != "information")

    @property
    def verdict(self) -> Verdict:
        """The most severe of all verdicts."""
        return max(self.verdicts.values(), key=VERDICTS.index, default="within-limits")

    def any(self, verdict: Verdict) -> bool:
        """Whether a criterion that is judged has this verdict."""
        return verdict in self.verdicts.values()


def assess(sample: Sample, setup: AssessmentSetup, *, after: Sample | None = None,
           upstream: Upstream | None = None) -> Assessment:
    """Return the assessment of the ``sample``, with a diagnosis of the installed unit where both its waters are known.

    ``after``: treated water of the unit installed for this machine, the sample being its feed water. ``upstream``: unit
    and feed water where the sample itself is treated water. Pure: the same inputs give the same numbers.
    """
    digest = setup.digest(sample, after, upstream)
    tap = _judged(sample, setup)
    inputs, drawn, judgements, _ = tap
    options = _options(tap, sample, setup)
    diagnosis = (_diagnosis(sample, setup, upstream) if after is None
                 else _diagnosis(after, setup, _fed_by(sample, setup)))
    return Assessment(
        sample=sample.name,
        origin=sample.origin,
        equipment=setup.equipment,
        values=sample.estimates,
        assumptions=inputs.assumptions,
        questions=questions(sample, inputs, drawn),
        notes=(*sample.notes, *setup.equipment.notes(), *notes(drawn.feed, inputs, setup.equipment)),
        warnings=tuple(warnings(drawn.feed, inputs, setup.equipment)),
        judgements=judgements,
        plan=plan(judgements, options, setup.equipment, diagnosis),
        options=options.all,
        diagnosis=diagnosis,
        saturation=saturation(drawn.feed),
        boilers=boiler_scaling(drawn.feed, setup.equipment),
        cautions=tuple(cautions.general(scales=_scales(judgements))),
        provenance=AssessmentProvenance(
            inputs_sha256=digest, draws=DRAWS, rule=setup.rule.statement, limits=setup.limits.name,
            software=setup.software),
    )


class _JudgedTap(NamedTuple):
    inputs: Inputs
    drawn: DrawnFeed
    judgements: tuple[Judgement, ...]
    simulator: TreatmentSimulator


def _judged(sample: Sample, setup: AssessmentSetup) -> _JudgedTap:
    """The sample completed, drawn and judged."""
    inputs, drawn, simulator = _simulator(sample, setup, generator_of(sample))
    judgements = simulator.judge.judge(criteria_for(setup.equipment, setup.limits), drawn)
    return _JudgedTap(inputs, drawn, judgements, simulator)


def _simulator(sample: Sample, setup: AssessmentSetup, rng: np.random.Generator
               ) -> tuple[Inputs, DrawnFeed, TreatmentSimulator]:
    """The sample completed and drawn, and the simulator of its treatments."""
    inputs = completed(sample, setup.prior)
    drawn = draw(inputs, rng)
    judge = Judge(setup.rule, inputs)
    return inputs, drawn, TreatmentSimulator(setup.equipment, setup.limits, judge, drawn.feed)


def _options(tap: _JudgedTap, sample: Sample, setup: AssessmentSetup) -> Options:
    """Options for the tap; nothing is recommended that depends on a value that was not measured."""
    installed = setup.installed()
    options = ranked_options(setup, tap.simulator, tap.judgements, installed)
    if installed is not None or setup.equipment.downstream_of is not None:
        return options

    def recommend(other: Sample) -> Kind:
        # The same random numbers as for the sample: only what is measured differs.
        return recommended_kind(setup, _simulator(other, setup, generator_of(sample))[-1])

    return measured_first(options, measure_first(sample, tap.inputs, options.all[0].kind, recommend))


def _fed_by(feed: Sample, setup: AssessmentSetup) -> Upstream:
    installed = setup.equipment.treatment
    if installed is None:
        raise InputError("the treatment of this water is not stated", where=feed.name,
                         remedy="state the treatment in the machine's profile: table [treatment]")
    return Upstream(installed=installed, feed=feed)


def _diagnosis(treated: Sample, setup: AssessmentSetup, upstream: Upstream | None) -> UnitDiagnosis | None:
    if upstream is None:
        return None
    unit = treatment_of(upstream.installed.unit, setup.units[upstream.installed.unit])
    return diagnose(unit, upstream, treated, generator_of(treated, upstream.feed))


def _scales(judgements: tuple[Judgement, ...]) -> bool:
    return any(j.severity == "scale" and j.verdict != "within-limits" for j in judgements)
