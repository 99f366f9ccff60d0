"""Everything that is kept about one reading, gathered from the store."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from sqlalchemy import Connection, select

from calibration.release import state_of
from stripread.records.kinds.evidence import (
    Correction,
    LabResult,
    Photograph,
    Review,
    StoredAssessment,
    StoredReading,
)
from stripread.records.kinds.materials import Batch, StoredChart, StoredRelease
from stripread.records.kinds.places import Machine, SamplingPoint, Site
from stripread.records.schema import KINDS, LOG, NAMES, R
from stripread.records.store import Store

#: A laboratory's result is shown beside a reading of the same point where the samples lie no farther apart.
BESIDE: Final = timedelta(days=31)
_READINGS = KINDS[StoredReading].table


@dataclass(frozen=True, slots=True)
class Case:
    """A reading and what belongs to it; ``names`` of accounts, those that were given one."""

    kept: StoredReading
    photograph: Photograph
    chart: StoredChart
    site: Site | None
    point: SamplingPoint | None
    machine: Machine | None
    batch: Batch | None
    assessment: StoredAssessment | None
    reviews: tuple[Review, ...]
    corrections: tuple[Correction, ...]
    laboratory: tuple[LabResult, ...]
    chart_state: tuple[str, ...]
    superseded_by: str | None
    names: dict[str, str]

    def person(self, account: str) -> str:
        """An account with its person's name, if that is known."""
        return f"{self.names[account]} ({account})" if account in self.names else account


def case_of(store: Store, reading: str) -> Case:
    """All about a reading. Raises RecordsError where there is none of this id."""
    kept = store.get(StoredReading, reading)
    photograph = store.get(Photograph, kept.photograph)
    point = None if photograph.point is None else store.get(SamplingPoint, photograph.point)
    assessment = max(store.find(StoredAssessment, reading=reading), key=lambda a: (a.at, a.id), default=None)
    with store.viewing() as connection:
        later = connection.scalar(select(_READINGS.c.id).where(_READINGS.c.supersedes == reading))
        names = {row.account: row.name for row in connection.execute(select(NAMES))}
        reviews = in_order_of_log(connection, store.find(Review, reading=reading))
    return Case(
        kept=kept, photograph=photograph, chart=store.get(StoredChart, kept.chart), point=point,
        site=None if point is None else store.get(Site, point.site),
        machine=None if assessment is None or assessment.machine is None else store.get(Machine, assessment.machine),
        batch=None if photograph.batch is None else store.get(Batch, photograph.batch), assessment=assessment,
        reviews=tuple(reviews), corrections=tuple(store.find(Correction, reading=reading)),
        laboratory=tuple(_laboratory(store, photograph)), chart_state=_chart_state(store, kept),
        superseded_by=later, names=names)


def in_order_of_log(connection: Connection, records: list[R]) -> list[R]:
    """The records as they were put, whatever clocks said."""
    place = {row.record: row.seq for row in connection.execute(
        select(LOG.c.record, LOG.c.seq).where(LOG.c.record.in_([r.id for r in records])))}
    return sorted(records, key=lambda r: place[r.id])


def _laboratory(store: Store, photograph: Photograph) -> list[LabResult]:
    """Results of the same sampling point that were taken about the same time and do not stand struck out."""
    if photograph.point is None:
        return []
    about = photograph.dipped or photograph.received
    return sorted((r for r in store.find(LabResult, point=photograph.point)
                   if r.struck is None and abs(r.taken - about) <= BESIDE), key=lambda r: (r.taken, r.analyte))


def _chart_state(store: Store, kept: StoredReading) -> tuple[str, ...]:
    """How the chart stood when the reading was made, as flags; none: it was released."""
    releases = [r.release() for r in store.find(StoredRelease, chart=kept.chart)]
    return state_of(kept.chart, releases, now=kept.at)
