"""The whole assessment of a sample: everything that a page, a terminal or a reviewer needs."""

from __future__ import annotations

import hashlib
from typing import NamedTuple

import msgspec
import numpy as np

from assess.candidates import ranked_options, recommended_kind
from assess.criteria import criteria_for
from assess.decision import Verdict
from assess.diagnosis.diagnosis import diagnose
from assess.diagnosis.result import UnitDiagnosis
from assess.diagnosis.upstream import Upstream
from assess.draws import DRAWS, DrawnFeed, draw
from assess.equipment import Equipment
from assess.inputs.questions import questions
from assess.inputs.sample import Assumption, Inputs, Sample, completed
from assess.judgement import Judge, Judgement, worst
from assess.limits import Severity
from assess.measure_first import measure_first
from assess.options import Option, Options, measured_first
from assess.plan import Plan, plan
from assess.scaling import BoilerScaling, Saturation, boiler_scaling, saturation
from assess.setup import AssessmentSetup
from assess.treatment import cautions
from assess.treatment.options import treatment_of
from assess.treatment.unit import Kind
from assess.treatment_trial import TreatmentSimulator
from assess.warnings import WaterWarning, notes, warnings
from shared.errors import InputError
from shared.estimate import Estimate


class AssessmentProvenance(msgspec.Struct, frozen=True, kw_only=True):
    """What is needed to reproduce every number: the seed is the hash of all inputs."""

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
    tap = _judged(sample, setup, digest)
    inputs, drawn, judgements, _ = tap
    options = _options(tap, sample, setup, digest)
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


def _judged(sample: Sample, setup: AssessmentSetup, digest: str) -> _JudgedTap:
    """The sample completed, drawn and judged."""
    inputs, drawn, simulator = _simulator(sample, setup, digest)
    judgements = simulator.judge.judge(criteria_for(setup.equipment, setup.limits), drawn)
    return _JudgedTap(inputs, drawn, judgements, simulator)


def _simulator(sample: Sample, setup: AssessmentSetup, digest: str) -> tuple[Inputs, DrawnFeed, TreatmentSimulator]:
    """The sample completed and drawn, and the simulator of its treatments; the seed is the digest of all inputs."""
    inputs = completed(sample, setup.prior)
    drawn = draw(inputs, np.random.default_rng(int(digest[:16], 16)))
    judge = Judge(setup.rule, inputs)
    return inputs, drawn, TreatmentSimulator(setup.equipment, setup.limits, judge, drawn.feed)


def _options(tap: _JudgedTap, sample: Sample, setup: AssessmentSetup, digest: str) -> Options:
    """Options for the tap; nothing is recommended that depends on a value that was not measured."""
    installed = setup.installed()
    options = ranked_options(setup, tap.simulator, tap.judgements, installed)
    if installed is not None or setup.equipment.downstream_of is not None:
        return options

    def recommend(other: Sample) -> Kind:
        return recommended_kind(setup, _simulator(other, setup, digest)[-1])

    return measured_first(options, measure_first(sample, tap.inputs, options.all[0].kind, recommend))


def _fed_by(feed: Sample, setup: AssessmentSetup) -> Upstream:
    installed = setup.equipment.treatment
    if installed is None:
        raise InputError("a reading of treated water needs its treatment", where=feed.name,
                         remedy="state the treatment in the machine's profile: table [treatment]")
    return Upstream(installed=installed, feed=feed)


def _diagnosis(treated: Sample, setup: AssessmentSetup, upstream: Upstream | None) -> UnitDiagnosis | None:
    if upstream is None:
        return None
    seed = hashlib.sha256(msgspec.json.encode((treated, upstream), order="sorted")).hexdigest()
    unit = treatment_of(upstream.installed.unit, setup.units[upstream.installed.unit])
    return diagnose(unit, upstream, treated, np.random.default_rng(int(seed[:16], 16)))


def _scales(judgements: tuple[Judgement, ...]) -> bool:
    return any(j.severity == "scale" and j.verdict != "within-limits" for j in judgements)
