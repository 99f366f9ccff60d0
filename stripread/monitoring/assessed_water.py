"""Latest assessed water of sampling points: the parts of a stored assessment that lists, status and schedule use."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, Protocol

import msgspec
from sqlalchemy import select

from assess.assessment import Assessment
from assess.decision import VERDICTS, Verdict
from assess.diagnosis.result import State
from assess.judgement import Judgement
from assess.limits import SEVERITIES, Severity
from assess.treatment.unit import Kind
from shared.estimate import Status
from stripread.monitoring.valid_readings import among, is_valid_sql, moments
from stripread.store.lookup import batches
from stripread.store.models.evidence import SampleAssessment, StoredAssessment
from stripread.store.models.sites import SamplingPoint
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.store import Store

_ASSESSMENTS, _SAMPLES, _POINTS = (
    RECORD_TYPES[kind].table for kind in (StoredAssessment, SampleAssessment, SamplingPoint))
#: Options of a plan that change nothing at the site.
_NO_ACTION: Final[tuple[Kind, ...]] = ("none", "test-interval")


class Deviation(msgspec.Struct, frozen=True, kw_only=True):
    """A criterion that is out of limits or inconclusive: its value with 95 % interval, and the permitted range.

    ``place``: boiler, empty for the feed water. ``distance`` beyond the nearest limit, as a fraction of that limit (for
    pH in pH units); negative: the value is within the limit, and only its interval is not. ``not_measured``: inputs
    that were only assumed, so that the verdict is inconclusive whatever the value. ``status``: see `Judgement`.
    """

    name: str
    place: str
    severity: Severity
    verdict: Verdict
    value: float
    low: float
    high: float
    unit: str
    at_least: float | None
    at_most: float | None
    distance: float
    not_measured: tuple[str, ...] = ()
    status: Status = "measured"

    @property
    def rank(self) -> tuple[int, bool, int, float]:
        """Sort key: most severe first; what was measured before what was not."""
        return (-VERDICTS.index(self.verdict), bool(self.not_measured), SEVERITIES.index(self.severity), -self.distance)


class _Limit(msgspec.Struct):
    severity: Severity
    unit: str
    at_least: float | None = None
    at_most: float | None = None


class _Judgement(msgspec.Struct):
    name: str
    place: str
    limit: _Limit
    value: float
    low: float
    high: float
    verdict: Verdict
    not_measured: tuple[str, ...] = ()
    status: Status = "measured"


class _Option(msgspec.Struct):
    kind: Kind
    name: str
    installed: bool


class PlanSummary(msgspec.Struct):
    """The next step of a plan, what to clarify first, the option, and days until the next test."""

    next_step: str
    first: tuple[str, ...]
    option: _Option
    test_in_days: int

    @property
    def acts(self) -> bool:
        """Whether the plan changes something at the site."""
        return not self.option.installed and self.option.kind not in _NO_ACTION

    @property
    def action(self) -> str:
        """The first sentence of the next step, without its full stop."""
        return self.next_step.split(". ")[0].rstrip(".")


class DiagnosisSummary(msgspec.Struct, frozen=True):
    """State of the unit upstream, the finding in a sentence, and what to do; no action if the unit works."""

    state: State
    sentence: str
    action: str


class _Content(msgspec.Struct):
    judgements: tuple[_Judgement, ...]
    plan: PlanSummary
    diagnosis: DiagnosisSummary | None = None


class _Stored(msgspec.Struct):
    """The part of a stored assessment that is used here."""

    assessment: _Content


class AssessedRecord(Protocol):
    """Ids of an assessment and of the reading that it is of; none for laboratory and typed results."""

    @property
    def reading(self) -> str:
        """Id of the reading, or empty."""

    @property
    def assessment(self) -> str:
        """Id of the assessment."""


class AssessedWater(msgspec.Struct, frozen=True, kw_only=True):
    """Latest assessed water of a point: ids of reading and assessment, verdict, deviations (most severe first), plan.

    ``reading``: empty for laboratory and typed results, whose assessment is a `SampleAssessment`. ``diagnosis``: of
    the unit upstream, where the treated water was compared with its feed water.
    """

    point: str
    reading: str
    assessment: str
    sampled: datetime
    verdict: Verdict
    deviations: tuple[Deviation, ...]
    plan: PlanSummary
    diagnosis: DiagnosisSummary | None


def assessed_waters(store: Store, sampled: Mapping[str, str]) -> dict[str, AssessedWater]:
    """Return the current assessment of the valid reading of each point that was sampled at its time, by point."""
    if not sampled:
        return {}
    c, a, selected = READING_INDEX.c, _ASSESSMENTS.c, moments(sampled)
    query = (
        select(c.point, c.reading, c.assessment, c.sampled, c.verdict, BODIES.c.body)
        .join(selected, (c.point == selected.c.point) & (c.sampled == selected.c.moment))
        .join(_ASSESSMENTS, a.id == c.assessment)
        .join(BODIES, BODIES.c.sha256 == a.sha256)
        .where(*is_valid_sql(store.review))
        .order_by(c.at, c.reading)
    )
    with store.viewing() as connection:
        return {row.point: _water(row) for row in connection.execute(query)}


def sample_waters(store: Store, points: Collection[str]) -> dict[str, AssessedWater]:
    """Return the latest assessed laboratory or typed sample of each of the points that has one, by point."""
    s, there = _SAMPLES.c, _SAMPLES.alias("there")
    last = (select(there.c.id).where(there.c.point == s.point)
            .order_by(there.c.taken.desc(), there.c.at.desc(), there.c.id.desc()).limit(1).scalar_subquery())
    query = (select(s.point, s.id.label("assessment"), s.taken.label("sampled"), s.verdict, BODIES.c.body)
             .join(BODIES, BODIES.c.sha256 == s.sha256).where(s.id == last, among(s.point, points)))
    with store.viewing() as connection:
        return {row.point: _water(row, SampleAssessment) for row in connection.execute(query) if row.point in points}



def _water(row: Any, kind: type[StoredAssessment | SampleAssessment] = StoredAssessment) -> AssessedWater:
    content = decode_part(kind, row.body, _Stored).assessment
    return AssessedWater(
        point=row.point, reading=row.reading if kind is StoredAssessment else "", assessment=row.assessment,
        sampled=datetime.fromisoformat(row.sampled), verdict=row.verdict, plan=content.plan,
        diagnosis=content.diagnosis,
        deviations=tuple(sorted(_deviations(content.judgements), key=lambda d: d.rank)))


def _deviations(judgements: Sequence[_Judgement]) -> Iterator[Deviation]:
    for j in judgements:
        if j.verdict != "within-limits" and j.limit.severity != "information":
            yield Deviation(
                name=j.name, place=j.place, severity=j.limit.severity, verdict=j.verdict, value=j.value, low=j.low,
                high=j.high, unit=j.limit.unit, at_least=j.limit.at_least, at_most=j.limit.at_most,
                distance=_distance(j), not_measured=j.not_measured, status=j.status)


def _distance(j: _Judgement) -> float:
    """Return how far a value is beyond its nearest limit; negative within."""
    beyond = [(j.value - limit if above else limit - j.value, limit)
              for limit, above in ((j.limit.at_least, False), (j.limit.at_most, True)) if limit is not None]
    by, limit = max(beyond)
    return by if j.limit.unit == "pH" or limit == 0 else by / abs(limit)


class _Assessment(msgspec.Struct):
    judgements: tuple[Judgement, ...]


class _Assessed(msgspec.Struct):
    assessment: _Assessment


def judgements_of(store: Store, readings: Iterable[str]) -> dict[str, tuple[Judgement, ...]]:
    """Return the criteria of the current assessment by reading; none for readings without one."""
    c = READING_INDEX.c
    query = (select(c.reading, BODIES.c.body).join(_ASSESSMENTS, _ASSESSMENTS.c.id == c.assessment)
             .join(BODIES, BODIES.c.sha256 == _ASSESSMENTS.c.sha256))
    with store.viewing() as connection:
        return {row.reading: decode_part(StoredAssessment, row.body, _Assessed).assessment.judgements
                for some in batches(readings) for row in connection.execute(query.where(c.reading.in_(some)))}


def criteria_of(store: Store, waters: Iterable[AssessedRecord]) -> dict[str, tuple[Judgement, ...]]:
    """Return the criteria by id of the assessment, of readings and of laboratory or typed samples."""
    ids: dict[type[StoredAssessment | SampleAssessment], list[str]] = {StoredAssessment: [], SampleAssessment: []}
    for water in waters:
        ids[StoredAssessment if water.reading else SampleAssessment].append(water.assessment)
    judgements: dict[str, tuple[Judgement, ...]] = {}
    for kind, table in ((StoredAssessment, _ASSESSMENTS), (SampleAssessment, _SAMPLES)):
        query = select(table.c.id, BODIES.c.body).join(BODIES, BODIES.c.sha256 == table.c.sha256)
        with store.viewing() as connection:
            judgements |= {row.id: decode_part(kind, row.body, _Assessed).assessment.judgements
                           for some in batches(ids[kind])
                           for row in connection.execute(query.where(table.c.id.in_(some)))}
    return judgements


def assessment_of(store: Store, water: AssessedRecord) -> Assessment:
    """Return the stored assessment of a water, of a reading or of laboratory or typed results."""
    kind: type[StoredAssessment | SampleAssessment] = StoredAssessment if water.reading else SampleAssessment
    return store.get(kind, water.assessment).assessment
