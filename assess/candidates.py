"""Which treatments are tried for a tap, and the options they make."""

from __future__ import annotations

from typing import Final

import numpy as np

from assess.choice import is_softened
from assess.criteria import criteria_for
from assess.judgement import Judgement
from assess.options import Options, choose, rank_options, upkeeps
from assess.settings import ConfiguredTreatment
from assess.setup import AssessmentSetup, InstalledUnit
from assess.treatment.ion_exchange import SoftenerBypass
from assess.treatment.options import DisinfectantPresence, with_carbon
from assess.treatment.options import options as treatments
from assess.treatment.plain import NONE
from assess.treatment.treatment import Treatment
from assess.treatment.unit import Kind
from assess.treatment_trial import TreatmentSimulator

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
