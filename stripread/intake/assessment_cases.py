"""Waters whose inputs are no longer those of their current assessment: readings, laboratory and typed samples."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Generic, TypeVar

from assess.equipment import DEFAULT_EQUIPMENT, Equipment, load_equipment
from stripread.intake.laboratory_samples import LaboratorySample, laboratory_samples, prior_of
from stripread.intake.pairing import pairing_at, pairing_of
from stripread.intake.sampling_context import machine_for_point
from stripread.intake.terms import AssessmentCase, case_on, own_terms, terms_at
from stripread.reading.assessment import sample_of
from stripread.store.models.evidence import LabResult, Photograph, SampleAssessment, StoredAssessment, StoredReading
from stripread.store.models.materials import OwnTerms
from stripread.store.models.sites import NEAREST, SamplingPoint
from stripread.store.reading_status import current_assessment
from stripread.store.store import Store

A = TypeVar("A", StoredAssessment, SampleAssessment)


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterCase(Generic[A]):
    """A water of a ``point``, sampled ``on`` a day, with its ``inputs`` as they are now.

    ``last``: its current assessment, None without one. ``record`` makes the record of a new one from ``id``, ``at``,
    ``account`` and ``assessment``. ``reading``: empty for laboratory and typed samples.
    """

    inputs: AssessmentCase
    last: A | None
    record: Callable[..., A]
    point: SamplingPoint | None
    on: date
    reading: str = ""


def reading_case(store: Store, own: OwnTerms, reading: str) -> WaterCase[StoredAssessment] | None:
    """Return the case of an assessed reading; None if its inputs are those of its current assessment."""
    last = current_assessment(store, reading)
    if last is None:
        return None
    stored = store.get(StoredReading, reading)
    photograph = store.get(Photograph, stored.photograph)
    machine, equipment = _machine(store, last, photograph)
    point = None if photograph.point is None else store.get(SamplingPoint, photograph.point)
    case = case_on(terms_at(own, point, photograph.sampled), sample_of(stored.reading), equipment,
                   pairing_of(store, photograph, stored.chart), prior_of(store, point, photograph.sampled))
    if case.digest == last.assessment.provenance.inputs_sha256:
        return None
    return WaterCase(inputs=case, last=last, record=partial(StoredAssessment, reading=reading, machine=machine),
                     point=point, on=photograph.sampled.date(), reading=reading)


def _machine(store: Store, last: StoredAssessment, photograph: Photograph) -> tuple[str | None, Equipment]:
    """Return the stored machine as it is now; a profile that was given for one assessment stays."""
    used = last.assessment.equipment
    if last.machine is None and used != load_equipment(DEFAULT_EQUIPMENT):
        return None, used
    return machine_for_point(store, photograph.point, last.machine)


def sample_cases(store: Store, sites: Iterable[str] | None = None, *, latest: bool = False
                 ) -> Iterator[WaterCase[SampleAssessment]]:
    """Yield the cases of laboratory and typed results of sites [default: all], those of feed water first.

    ``latest``: only of the latest sample of each point.
    """
    points = ([store.get(SamplingPoint, p) for p in sorted({r.point for r in store.find(LabResult)})]
              if sites is None else [p for site in sites for p in store.find(SamplingPoint, site=site)])
    own = own_terms(store)
    for point in sorted(points, key=lambda p: -NEAREST.index(p.place)):
        last = current_assessments(store, point.id)
        for sample in laboratory_samples(store, [point.id])[-1 if latest else 0:]:
            found = _sample_case(store, own, point, sample, last.get(sample.results))
            if found is not None:
                yield found


def _sample_case(store: Store, own: OwnTerms, point: SamplingPoint, sample: LaboratorySample,
                 last: SampleAssessment | None) -> WaterCase[SampleAssessment] | None:
    machine, equipment = machine_for_point(store, point.id, None)
    case = case_on(terms_at(own, point, sample.taken), sample.sample, equipment,
                   pairing_at(store, point, sample.taken, None), prior_of(store, point, sample.taken))
    if last is not None and last.assessment.provenance.inputs_sha256 == case.digest:
        return None
    return WaterCase(inputs=case, last=last, point=point, on=sample.taken.date(), record=partial(
        SampleAssessment, point=point.id, taken=sample.taken, results=sample.results, machine=machine))


def current_assessments(store: Store, point: str) -> dict[tuple[str, ...], SampleAssessment]:
    """Return the current assessment of each sample of a point, by the ids of its results."""
    found = sorted(store.find(SampleAssessment, point=point), key=lambda a: (a.at, a.id))
    return {a.results: a for a in found}
