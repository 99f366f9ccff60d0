"""The whole assessment: one value with everything a page, a terminal or a reviewer needs."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import msgspec
import numpy as np

from assess import cautions
from assess.criteria import criteria_for
from assess.decision import DecisionRule, Verdict
from assess.draws import DRAWS, draw
from assess.equipment import Equipment
from assess.inputs.questions import questions
from assess.inputs.sample import Assumption, Sample, completed
from assess.judgement import Judge, Judgement, worst
from assess.limits import LimitSet, Severity
from assess.outlook import BoilerOutlook, Saturation, outlook, saturation
from shared.estimate import Estimate


class Provenance(msgspec.Struct, frozen=True, kw_only=True):
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
    notes: tuple[str, ...]
    judgements: tuple[Judgement, ...]
    saturation: Saturation
    boilers: tuple[BoilerOutlook, ...]
    cautions: tuple[str, ...]
    provenance: Provenance

    @property
    def verdicts(self) -> dict[Severity, Verdict]:
        """The worst verdict of each severity; nothing is added up."""
        return worst(j for j in self.judgements if j.severity != "information")

    def any(self, verdict: Verdict) -> bool:
        """Whether some criterion that counts came out so."""
        return verdict in self.verdicts.values()


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a water is judged against, and how."""

    equipment: Equipment
    limits: LimitSet
    rule: DecisionRule = DecisionRule()
    software: str = ""


def assess(sample: Sample, terms: Terms) -> Assessment:
    """The sample judged for the machine. Pure: the same inputs give the same numbers."""
    inputs = completed(sample)
    digest = _digest(sample, terms)
    drawn = draw(inputs, np.random.default_rng(int(digest[:16], 16)))
    judgements = Judge(terms.rule, inputs).judge(criteria_for(terms.equipment, terms.limits), drawn)
    return Assessment(
        sample=sample.name, origin=sample.origin, equipment=terms.equipment, values=sample.estimates,
        assumptions=inputs.assumptions, questions=questions(sample, inputs, drawn), notes=sample.notes,
        judgements=judgements, saturation=saturation(drawn.feed), boilers=outlook(drawn.feed, terms.equipment),
        cautions=tuple(cautions.general(scales=_scales(judgements))),
        provenance=Provenance(inputs_sha256=digest, draws=DRAWS, rule=terms.rule.words, limits=terms.limits.name,
                              software=terms.software))


def _scales(judgements: tuple[Judgement, ...]) -> bool:
    return any(j.severity == "scale" and j.verdict != "in" for j in judgements)


def _digest(sample: Sample, terms: Terms) -> str:
    """SHA-256 (hex) of everything that bears on the numbers."""
    content = msgspec.json.encode((sample, terms.equipment, terms.limits, terms.rule.confidence), order="sorted")
    return hashlib.sha256(content).hexdigest()
