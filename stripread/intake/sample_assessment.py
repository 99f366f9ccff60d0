"""Assessment of laboratory and typed results: for the machine at their sampling point, like readings of strips.

An assessment is never changed: a later one is added when results, terms or equipment differ, and both are retained.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from shared.errors import InputError
from stripread.intake.laboratory_samples import LaboratorySample, laboratory_samples, prior_of
from stripread.intake.pairing import pairing_at
from stripread.intake.reassess import pair_visit
from stripread.intake.sampling_context import machine_for_point
from stripread.intake.terms import case_on, own_terms, terms_at
from stripread.store.models.evidence import LabResult, SampleAssessment
from stripread.store.models.materials import OwnTerms
from stripread.store.models.record import new_id
from stripread.store.models.sites import NEAREST, SamplingPoint
from stripread.store.store import Store


def assess_samples(store: Store, by: str, why: str, sites: Iterable[str] | None = None) -> Iterator[SampleAssessment]:
    """Assess the laboratory and typed results of sites [default: all], feed water first; yield what is new."""
    points = ([store.get(SamplingPoint, p) for p in sorted({r.point for r in store.find(LabResult)})]
              if sites is None else [p for site in sites for p in store.find(SamplingPoint, site=site)])
    assessor = _Assessor(store, own_terms(store), by, why)
    for point in sorted(points, key=lambda p: -NEAREST.index(p.place)):
        last = current_assessments(store, point.id)
        for sample in laboratory_samples(store, [point.id]):
            found = assessor.assess(point, sample, last.get(sample.results))
            if found is not None:
                yield found


def current_assessments(store: Store, point: str) -> dict[tuple[str, ...], SampleAssessment]:
    """Return the current assessment of each sample of a point, by the ids of its results."""
    found = sorted(store.find(SampleAssessment, point=point), key=lambda a: (a.at, a.id))
    return {a.results: a for a in found}


@dataclass(frozen=True, slots=True)
class _Assessor:
    store: Store
    own: OwnTerms
    by: str
    why: str

    def assess(self, point: SamplingPoint, sample: LaboratorySample, last: SampleAssessment | None
               ) -> SampleAssessment | None:
        """Store the assessment of a sample as things are now; None if it is current already, or without a value."""
        machine, equipment = machine_for_point(self.store, point.id, None)
        case = case_on(terms_at(self.own, point, sample.taken), sample.sample, equipment,
                       pairing_at(self.store, point, sample.taken, None), prior_of(self.store, point, sample.taken))
        if last is not None and last.assessment.provenance.inputs_sha256 == case.digest:
            return None
        try:
            made = case.assess()
        except InputError:
            return None
        with self.store.writing(self.by) as transaction:
            # A clock that was set back must not leave the earlier assessment current.
            at = transaction.now if last is None else max(transaction.now, last.at + timedelta.resolution)
            new = SampleAssessment(id=new_id(), point=point.id, taken=sample.taken, at=at, account=self.by,
                                   results=sample.results, assessment=made, machine=machine)
            transaction.put(new, "assessed", self.why)
        return new


def assess_results(store: Store, by: str, results: Sequence[LabResult]) -> list[SampleAssessment]:
    """Assess the samples of the sites at which results were added, and the treated water of the same visits again."""
    points = {r.point: store.get(SamplingPoint, r.point) for r in results}
    found = list(assess_samples(store, by, "results added", dict.fromkeys(p.site for p in points.values())))
    for point, taken in dict.fromkeys((r.point, r.taken) for r in results if r.origin != "supplier"):
        list(pair_visit(store, by, points[point], taken))
    return found
