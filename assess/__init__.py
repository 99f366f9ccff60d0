"""From measured values to a decision for one machine and one cup."""

from assess.assessment import Assessment, assess
from assess.decision import DecisionRule
from assess.equipment import Equipment, load_equipment
from assess.inputs.sample import Sample
from assess.inputs.text import sample_from_typed
from assess.limits import LimitSet, load_limits
from assess.setup import AssessmentSetup

__all__ = [
    "Assessment",
    "AssessmentSetup",
    "DecisionRule",
    "Equipment",
    "LimitSet",
    "Sample",
    "assess",
    "load_equipment",
    "load_limits",
    "sample_from_typed",
]
