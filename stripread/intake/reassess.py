"""Re-assessment of stored readings after a change of limits, catalogue, machine, unit or feed water.

An assessment is never changed: a later one is added, and both are retained.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import select

from assess.equipment import DEFAULT_EQUIPMENT, Equipment, load_equipment
from shared.errors import InputError
from stripread.intake.laboratory_samples import prior_of
from stripread.intake.pairing import pairing_of
from stripread.intake.sampling_context import machine_for_point
from stripread.intake.terms import case_on, own_terms, terms_at
from stripread.reading.assessment import sample_of
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.materials import OwnTerms
from stripread.store.models.record import new_id, stamp
from stripread.store.models.sites import SamplingPoint
from stripread.store.reading_status import current_assessment
from stripread.store.schema import READING_INDEX
from stripread.store.store import Store

#: Treated and feed water sampled within this time belong to one visit.
_VISIT: Final = timedelta(hours=12)


def reassess(store: Store, by: str, why: str, readings: Sequence[str] | None = None) -> Iterator[StoredAssessment]:
    """Assess current readings with an assessment again, all or some; yield the assessments that differ."""
    own = own_terms(store)
    for id_ in _assessed(store) if readings is None else readings:
        found = _reassess_one(store, own, id_, by=by, why=why)
        if found is not None:
            yield found


def reassess_sites(store: Store, by: str, why: str, sites: Iterable[str]) -> Iterator[StoredAssessment]:
    """Assess the current readings of sites again, those of feed water first; yield the assessments that differ."""
    for site in sites:
        points = {p.id: p.place for p in store.find(SamplingPoint, site=site)}
        found = _assessed_at(store, list(points))
        yield from reassess(store, by, why, sorted(found, key=lambda id_: points[found[id_]] != "mains"))


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
