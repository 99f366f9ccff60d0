"""Assessments again after a change of results, limits, machine, unit or feed water, and what they replace.

An assessment is never changed: a later one is added when its inputs differ, and both are retained.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import msgspec
from sqlalchemy import select

from assess.decision import Verdict
from assess.equipment import DEFAULT_EQUIPMENT, Equipment, load_equipment
from shared.errors import InputError
from stripread.intake.laboratory_samples import LaboratorySample, laboratory_samples, prior_of
from stripread.intake.pairing import pairing_at, pairing_of
from stripread.intake.sampling_context import machine_for_point
from stripread.intake.terms import case_on, own_terms, terms_at
from stripread.reading.assessment import sample_of
from stripread.store.models.evidence import LabResult, Photograph, SampleAssessment, StoredAssessment, StoredReading
from stripread.store.models.materials import OwnTerms
from stripread.store.models.record import Record, new_id, stamp
from stripread.store.models.sites import NEAREST, Machine, SamplingPoint, Service, Site, Unit
from stripread.store.reading_status import current_assessment
from stripread.store.schema import READING_INDEX
from stripread.store.store import Store


class AssessmentChange(msgspec.Struct, frozen=True, kw_only=True):
    """A new assessment of a stored water, sampled ``on`` a day; ``before`` None: it had none.

    ``reading``: empty for laboratory and typed results. ``step_before`` and ``step``: next step of the plan.
    """

    assessment: str
    reading: str
    site_name: str
    point_name: str
    on: date
    before: Verdict | None
    after: Verdict
    step_before: str
    step: str

    @property
    def changes_verdict(self) -> bool:
        """Whether the verdict is another."""
        return self.before != self.after


def assessment_changes(store: Store, made: Iterable[StoredAssessment | SampleAssessment]) -> list[AssessmentChange]:
    """Return what new assessments changed, those with another verdict first."""
    changes = [_of_reading(store, a) if isinstance(a, StoredAssessment) else _of_sample(store, a) for a in made]
    return sorted(changes, key=lambda c: (not c.changes_verdict, c.site_name, c.point_name, c.on))


def _of_reading(store: Store, new: StoredAssessment) -> AssessmentChange:
    photograph = store.get(Photograph, store.get(StoredReading, new.reading).photograph)
    earlier = [a for a in store.find(StoredAssessment, reading=new.reading) if a.id != new.id]
    return _change(store, new, max(earlier, key=lambda a: a.at, default=None), photograph.point,
                   photograph.sampled.date())


def _of_sample(store: Store, new: SampleAssessment) -> AssessmentChange:
    """Return a change; an earlier assessment of the sample shares a result with it, where results were added since."""
    earlier = [a for a in store.find(SampleAssessment, point=new.point)
               if a.id != new.id and not set(a.results).isdisjoint(new.results)]
    return _change(store, new, max(earlier, key=lambda a: a.at, default=None), new.point, new.taken.date())


def _change(store: Store, new: StoredAssessment | SampleAssessment, old: StoredAssessment | SampleAssessment | None,
            point_id: str | None, on: date) -> AssessmentChange:
    point = None if point_id is None else store.get(SamplingPoint, point_id)
    return AssessmentChange(
        assessment=new.id, reading=new.reading if isinstance(new, StoredAssessment) else "", on=on,
        site_name="" if point is None else store.get(Site, point.site).name,
        point_name="" if point is None else point.name, before=None if old is None else old.verdict, after=new.verdict,
        step_before="" if old is None else old.assessment.plan.next_step, step=new.assessment.plan.next_step)


#: Treated and feed water sampled within this time belong to one visit.
_VISIT: Final = timedelta(hours=12)


def reassess(store: Store, by: str, why: str, readings: Sequence[str] | None = None) -> Iterator[StoredAssessment]:
    """Assess current readings with an assessment again, all or some; yield the assessments that differ."""
    own = own_terms(store)
    for id_ in _assessed(store) if readings is None else readings:
        change = _reassess_one(store, own, id_, by=by, why=why)
        if change is not None:
            yield change


def reassess_sites(store: Store, by: str, why: str, sites: Iterable[str]) -> Iterator[StoredAssessment]:
    """Assess the current readings of sites again, those of feed water first; yield the assessments that differ."""
    for site in sites:
        points = {p.id: p.place for p in store.find(SamplingPoint, site=site)}
        changes = _assessed_at(store, list(points))
        yield from reassess(store, by, why, sorted(changes, key=lambda id_: points[changes[id_]] != "mains"))


def pair_again(store: Store, by: str, photographs: Iterable[Photograph]) -> Iterator[StoredAssessment]:
    """Assess the treated water of visits again in which feed water was sampled; yield the assessments that differ."""
    for photograph in photographs:
        point = _point(store, photograph)
        if point is not None:
            yield from pair_visit(store, by, point, photograph.sampled)


def pair_visit(store: Store, by: str, point: SamplingPoint, at: datetime) -> Iterator[StoredAssessment]:
    """As `pair_again`, for a sample of a point at a time."""
    if point.place == "mains":
        treated = [p.id for p in store.find(SamplingPoint, site=point.site) if p.place != "mains"]
        near = (stamp(at - _VISIT), stamp(at + _VISIT))
        yield from reassess(store, by, "paired with its feed water", list(_assessed_at(store, treated, near)))


def _assessed(store: Store) -> list[str]:
    c = READING_INDEX.c
    query = select(c.reading).where(c.superseded_by.is_(None), c.verdict.is_not(None)).order_by(c.reading)
    with store.viewing() as connection:
        return list(connection.scalars(query))


def _assessed_at(store: Store, points: Sequence[str], times: tuple[str, str] | None = None) -> dict[str, str]:
    """Return the point of each assessed current reading of points, by reading; sampled between ``times``."""
    c = READING_INDEX.c
    query = select(c.reading, c.point).where(c.point.in_(points), c.superseded_by.is_(None), c.verdict.is_not(None))
    if times is not None:
        query = query.where(c.sampled.between(*times))
    with store.viewing() as connection:
        return {row.reading: row.point for row in connection.execute(query.order_by(c.sampled, c.reading))}


def _reassess_one(store: Store, own: OwnTerms, reading: str, *, by: str, why: str) -> StoredAssessment | None:
    """Store the assessment of a reading as things are now, unless it is the current one already."""
    last = current_assessment(store, reading)
    if last is None:
        return None
    stored = store.get(StoredReading, reading)
    photograph = store.get(Photograph, stored.photograph)
    machine, equipment = _machine(store, last, photograph)
    point, sampled = _point(store, photograph), photograph.sampled
    case = case_on(terms_at(own, point, sampled), sample_of(stored.reading), equipment,
                   pairing_of(store, photograph, stored.chart), prior_of(store, point, sampled))
    if case.digest == last.assessment.provenance.inputs_sha256:
        return None
    try:
        assessment = case.assess()
    except InputError:
        return None
    with store.writing(by) as transaction:
        # A clock that was set back must not leave the earlier assessment current.
        at = max(transaction.now, last.at + timedelta.resolution)
        new = StoredAssessment(id=new_id(), reading=reading, at=at, account=by, assessment=assessment, machine=machine)
        transaction.put(new, "assessed", why)
    return new


def _point(store: Store, photograph: Photograph) -> SamplingPoint | None:
    return None if photograph.point is None else store.get(SamplingPoint, photograph.point)


def _machine(store: Store, last: StoredAssessment, photograph: Photograph) -> tuple[str | None, Equipment]:
    """Return the stored machine as it is now; a profile that was given for one assessment stays."""
    used = last.assessment.equipment
    if last.machine is None and used != load_equipment(DEFAULT_EQUIPMENT):
        return None, used
    return machine_for_point(store, photograph.point, last.machine)


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


#: Reason of the new assessments, for the audit trail.
_WHY = "machines, units, sampling points, limits or results changed"


def assess_imported(store: Store, by: str, records: Iterable[Record]) -> list[AssessmentChange]:
    """Assess again what imported records affect; return the changed assessments. Equal inputs are not computed."""
    sites = dict.fromkeys(site for record in records for site in _sites(store, record))
    return assessment_changes(store, _assessed_sites(store, by, sites))


def assess_all(store: Store, by: str, why: str) -> list[AssessmentChange]:
    """Assess everything again after a change of limits or catalogue; return the changed assessments."""
    made: list[StoredAssessment | SampleAssessment] = [*reassess(store, by, why), *assess_samples(store, by, why)]
    return assessment_changes(store, made)


def _assessed_sites(store: Store, by: str, sites: Iterable[str]) -> Iterator[StoredAssessment | SampleAssessment]:
    for site in sites:
        yield from reassess_sites(store, by, _WHY, [site])
        yield from assess_samples(store, by, _WHY, [site])


def _sites(store: Store, record: Record) -> Iterator[str]:
    """Return the sites whose waters a record affects."""
    if isinstance(record, Machine | Unit | SamplingPoint):
        yield record.site
    elif isinstance(record, Service):
        yield store.get(Unit, record.unit).site
    elif isinstance(record, LabResult):
        yield store.get(SamplingPoint, record.point).site
