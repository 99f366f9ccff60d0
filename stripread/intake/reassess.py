"""Assessments again after a change of results, limits, machine, unit or feed water, and what they replace.

An assessment is never changed: a later one is added when its inputs differ, and both are retained.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import islice
from time import monotonic
from typing import Any, Final, Literal

import msgspec
from sqlalchemy import select

from assess.decision import Verdict
from shared.errors import InputError
from stripread.intake.assessment_cases import A, WaterCase, reading_case, sample_cases
from stripread.intake.terms import AssessmentCase, own_terms
from stripread.reading.executors import SERIAL, Executor
from stripread.store.models.evidence import LabResult, Photograph, SampleAssessment, StoredAssessment, StoredReading
from stripread.store.models.record import Record, new_id, stamp
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, Unit
from stripread.store.schema import READING_INDEX
from stripread.store.store import Store


class AssessmentChange(msgspec.Struct, frozen=True, kw_only=True):
    """A new assessment of a stored water, sampled ``on`` a day; ``before`` None: it had none.

    ``assessment``: empty in a preview. ``reading``: empty for laboratory and typed results. ``step_before`` and
    ``step``: next step of the plan.
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
    return _in_order(_of_reading(store, a) if isinstance(a, StoredAssessment) else _of_sample(store, a) for a in made)


def _in_order(changes: Iterable[AssessmentChange]) -> list[AssessmentChange]:
    return sorted(changes, key=lambda c: (not c.changes_verdict, c.site_name, c.point_name, c.on))


def _of_reading(store: Store, new: StoredAssessment) -> AssessmentChange:
    photograph = store.get(Photograph, store.get(StoredReading, new.reading).photograph)
    earlier = [a for a in store.find(StoredAssessment, reading=new.reading) if a.id != new.id]
    return _change(new, max(earlier, key=lambda a: a.at, default=None), _place(store, _point(store, photograph)),
                   photograph.sampled.date())


def _of_sample(store: Store, new: SampleAssessment) -> AssessmentChange:
    """Return a change; an earlier assessment of the sample shares a result with it, where results were added since."""
    earlier = [a for a in store.find(SampleAssessment, point=new.point)
               if a.id != new.id and not set(a.results).isdisjoint(new.results)]
    return _change(new, max(earlier, key=lambda a: a.at, default=None),
                   _place(store, store.get(SamplingPoint, new.point)), new.taken.date())


def _change(new: StoredAssessment | SampleAssessment, old: StoredAssessment | SampleAssessment | None,
            place: tuple[str, str], on: date) -> AssessmentChange:
    return AssessmentChange(
        assessment=new.id, reading=new.reading if isinstance(new, StoredAssessment) else "", on=on,
        site_name=place[0], point_name=place[1], before=None if old is None else old.verdict, after=new.verdict,
        step_before="" if old is None else old.assessment.plan.next_step, step=new.assessment.plan.next_step)


def _place(store: Store, point: SamplingPoint | None) -> tuple[str, str]:
    """Return the names of the site and the point; empty without one."""
    return ("", "") if point is None else (store.get(Site, point.site).name, point.name)


#: Treated and feed water sampled within this time belong to one visit.
_VISIT: Final = timedelta(hours=12)


def reassess(store: Store, by: str, why: str, readings: Sequence[str] | None = None) -> Iterator[StoredAssessment]:
    """Assess current readings with an assessment again, all or some; yield the assessments that differ."""
    own = own_terms(store)
    for id_ in _assessed(store) if readings is None else readings:
        case = reading_case(store, own, id_)
        made = None if case is None else _stored(store, case, by, why)
        if made is not None:
            yield made


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


def _point(store: Store, photograph: Photograph) -> SamplingPoint | None:
    return None if photograph.point is None else store.get(SamplingPoint, photograph.point)


def _stored(store: Store, case: WaterCase[A], by: str, why: str) -> A | None:
    """Store the assessment of a case; None if the water has no value."""
    try:
        made = case.inputs.assess()
    except InputError:
        return None
    with store.writing(by) as transaction:
        # A clock that was set back must not leave the earlier assessment current.
        at = transaction.now if case.last is None else max(transaction.now, case.last.at + timedelta.resolution)
        new = case.record(id=new_id(), at=at, account=by, assessment=made)
        transaction.put(new, "assessed", why)
    return new


def assess_samples(store: Store, by: str, why: str, sites: Iterable[str] | None = None) -> Iterator[SampleAssessment]:
    """Assess the laboratory and typed results of sites [default: all], feed water first; yield what is new."""
    for case in sample_cases(store, sites):
        made = _stored(store, case, by, why)
        if made is not None:
            yield made


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


class ExpectedOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """Verdict and next step of a new assessment; both empty if the water has no value."""

    verdict: Verdict | Literal[""] = ""
    step: str = ""


def expected_outcome(_given: None, case: AssessmentCase) -> ExpectedOutcome:
    """Return the outcome of a new assessment."""
    try:
        made = case.assess()
    except InputError:
        return ExpectedOutcome()
    return ExpectedOutcome(verdict=made.verdict, step=made.plan.next_step)


def preview_changes(store: Store, change: Callable[[Store], Iterable[Record]], most: int, executor: Executor = SERIAL
                    ) -> list[AssessmentChange]:
    """Return the assessments of the latest results of points that a change of records would replace, at most ``most``.

    Nothing is stored: ``change`` makes it in a store whose changes are rolled back, and returns the records that
    affect waters. The assessments are made with ``executor``.
    """
    noted: deque[tuple[WaterCase[Any], tuple[str, str]]] = deque()
    outcomes = executor.map(expected_outcome, None, _noted(islice(_waters(store, change), most), noted))
    found = [_expected_change(*noted.popleft(), outcome) for outcome in outcomes]
    return _in_order(change for change in found if change is not None)


def _noted(waters: Iterable[tuple[WaterCase[Any], tuple[str, str]]],
           noted: deque[tuple[WaterCase[Any], tuple[str, str]]]) -> Iterator[AssessmentCase]:
    """Yield the inputs of waters; the waters are noted, for their outcomes."""
    for water in waters:
        noted.append(water)
        yield water[0].inputs


def _expected_change(case: WaterCase[Any], place: tuple[str, str], outcome: ExpectedOutcome) -> AssessmentChange | None:
    if outcome.verdict == "":
        return None
    last = case.last
    return AssessmentChange(
        assessment="", reading=case.reading, site_name=place[0], point_name=place[1], on=case.on, step=outcome.step,
        before=last.verdict if last else None, after=outcome.verdict,
        step_before=last.assessment.plan.next_step if last else "")


#: How long a preview collects inputs before it lets other writers in, seconds; a site is completed.
_COLLECTING_S: Final = 0.15


def _waters(store: Store, change: Callable[[Store], Iterable[Record]]
            ) -> Iterator[tuple[WaterCase[Any], tuple[str, str]]]:
    """Yield the cases of the sites that a change affects, with their places. Writers get in between the sites."""
    sites: list[str] | None = None
    while sites is None or sites:
        found = []
        with store.trial() as trial:
            changed, until = list(change(trial)), monotonic() + _COLLECTING_S
            if sites is None:
                sites = list(dict.fromkeys(site for record in changed for site in _sites(trial, record)))
            while sites:
                found += [(case, _place(trial, case.point)) for case in _cases(trial, sites.pop(0))]
                if monotonic() > until:
                    break
        yield from found


def _cases(store: Store, site: str) -> Iterator[WaterCase[Any]]:
    """Yield the cases of the latest reading and the latest sample of each point of a site."""
    own = own_terms(store)
    readings = _assessed_at(store, store.ids(SamplingPoint, site=site))
    latest = {point: reading for reading, point in readings.items()}
    yield from (case for reading in latest.values() if (case := reading_case(store, own, reading)) is not None)
    yield from sample_cases(store, [site], latest=True)


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
