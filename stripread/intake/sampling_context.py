"""Context of a sample in the store: sampling point, machine its water is assessed for, earlier strips of its tube."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import msgspec
from sqlalchemy import Connection, Select, func, literal, select, tuple_

from assess.equipment import DEFAULT_EQUIPMENT, Equipment, InstalledTreatment, load_equipment
from assess.treatment.options import treatment_of
from calibration.common_effects import SEQUENCE, DyeLoad, StripSequence
from stripread.intake.terms import catalogue, own_terms
from stripread.intake.unit_history import is_removed, services, unit_upstream
from stripread.reading.context import with_earlier_strips
from stripread.reading.result import Reading
from stripread.store.errors import RecordsError
from stripread.store.lookup import list_some, resolve_id
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import stamp
from stripread.store.models.sites import Machine, SamplingPoint, Site, Unit
from stripread.store.reading_query import review_status_sql
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store

#: Id of a machine that is not stored.
_GENERAL: Final = "general"


def with_installed_treatment(store: Store, machine: Machine, point: SamplingPoint) -> Equipment:
    """Return a machine's equipment with the treatment between a sampling point and the machine.

    For the mains: the treatment that the machine's profile states, else the only installed unit. Downstream of it: the
    name of the unit that the water has passed. The installation date of a recorded unit is left out, because its change
    is scheduled by `monitoring`, not by each assessment.
    """
    stated = machine.equipment
    if point.place != "mains":
        return msgspec.structs.replace(stated, treatment=None, downstream_of=_passed(store, machine, point))
    if stated.treatment is None:
        return msgspec.structs.replace(stated, treatment=_of_units(store, machine))
    recorded = any(unit.machine in (None, machine.id) for unit in store.find(Unit, site=machine.site))
    treatment = msgspec.structs.replace(stated.treatment, installed=None) if recorded else stated.treatment
    return msgspec.structs.replace(stated, treatment=treatment)


def _passed(store: Store, machine: Machine, point: SamplingPoint) -> str | None:
    """Return the name of the unit upstream of a point; None without recorded treatment."""
    there = store.find(Unit, site=machine.site)
    unit = unit_upstream(point, there, {u.id for u in there if is_removed(services(store, u))})
    if unit is not None:
        return unit.unit.name
    stated = machine.equipment.treatment
    if stated is not None:
        return stated.unit
    return "a treatment unit that is not recorded" if point.place == "after treatment" else None


def _of_units(store: Store, machine: Machine) -> InstalledTreatment | None:
    """Return the only installed unit; None if there is none, or too little is known to simulate it."""
    work = {unit.id: services(store, unit) for unit in store.find(Unit, site=machine.site)
            if unit.machine in (None, machine.id)}
    installed = [id_ for id_, done in work.items() if not is_removed(done)]
    if len(installed) != 1:
        return None
    unit, history, known = store.get(Unit, installed[0]), work[installed[0]], catalogue(own_terms(store))
    setting = next((s.setting for s in reversed(history) if s.setting is not None), None)
    if unit.catalogue not in known:
        return None
    if setting is None and treatment_of(unit.catalogue, unit.unit).setting is not None:
        return None
    return InstalledTreatment(unit=unit.catalogue, setting=setting, capacity_eq=unit.unit.capacity_eq)


def resolve_point(store: Store, site: str | None, point: str | None) -> str | None:
    """Return the id of a sampling point named by id, or within a site by name or place; its only one if unnamed.

    None where nothing was named. A closed point is found by its id only: photographs taken there may arrive later, and
    are flagged. Raises RecordsError that lists the open points.
    """
    if site is None and point is None:
        return None
    at = None if site is None else resolve_id(store, Site, site)
    there = store.find(SamplingPoint) if at is None else store.find(SamplingPoint, site=at)
    open_ = [p for p in there if p.closed is None]
    fits = open_ if point is None else (
        [p for p in there if p.id == point] or [p for p in open_ if point in (p.name, p.place)])
    if len(fits) == 1:
        return fits[0].id
    where = f"site {at}" if at else store.where
    if not open_:
        raise RecordsError("there is no open sampling point", where=where, found=point or "",
                           remedy="add one: `stripread sites import FILE`, the table sampling-points")
    raise RecordsError("the sampling point is ambiguous" if fits or point is None else "no such sampling point",
                       where=where, found=point or f"{len(fits)} points", allowed=list_some([p.id for p in open_]),
                       remedy="name one of these sampling points")


def machine_for_point(store: Store, point: str | None, named: str | None) -> tuple[str | None, Equipment]:
    """Return the id of the machine that a water is assessed for, None for one that is not stored, and its equipment.

    ``named``: id of a stored machine, a supplied profile or a TOML file [default: the machine at the point, or the only
    one at its site, else the supplied default]. At a point the equipment includes the installed treatment. Raises
    InputError if there is no machine of that name.
    """
    at = None if point is None else store.get(SamplingPoint, point)
    candidate = _machine_at(store, at) if named is None else next(iter(store.find(Machine, id=named)), None)
    general = candidate is None
    machine = candidate or Machine(id=_GENERAL, site="" if at is None else at.site, equipment=load_equipment(
        DEFAULT_EQUIPMENT if named is None else Path(named)))
    equipment = machine.equipment if at is None else with_installed_treatment(store, machine, at)
    return None if general else machine.id, equipment


def place_flags(store: Store, photograph: Photograph) -> tuple[str, ...]:
    """Return the flags of a sample's place: `point-closed` where it or its site was closed by the day of the sample."""
    if photograph.point is None:
        return ()
    point = store.get(SamplingPoint, photograph.point)
    closed = (point.closed, store.get(Site, point.site).closed)
    day = photograph.sampled.date()
    return ("point-closed",) if any(since is not None and since <= day for since in closed) else ()


def _machine_at(store: Store, point: SamplingPoint | None) -> Machine | None:
    if point is None:
        return None
    if point.machine is not None:
        return store.get(Machine, point.machine)
    in_use = [m for m in store.find(Machine, site=point.site) if m.removed is None]
    return in_use[0] if len(in_use) == 1 else None


_READINGS, _PHOTOGRAPHS = RECORD_TYPES[StoredReading].table, RECORD_TYPES[Photograph].table
#: Latest readings of a batch among which those of a technician are sought where no tube is recorded.
_LATEST_OF_BATCH: Final = 500


class _OnChart(msgspec.Struct, frozen=True):
    chart: str


class _StripPart(msgspec.Struct, frozen=True):
    """What the strips of a tube are judged by."""

    flags: tuple[str, ...]
    provenance: _OnChart
    dye: DyeLoad | None = None


class _StoredStripPart(msgspec.Struct, frozen=True):
    reading: _StripPart


def with_strips_before(store: Store, connection: Connection, photograph: Photograph, reading: Reading,
                       replaces: str | None = None) -> Reading:
    """Return a reading of a photograph, its strip judged together with the earlier ones of its tube.

    Earlier ones are those with a valid reading on the same chart, in order of the time of their samples. Where no tube
    is recorded: the strips of the batch that the same account used, among the latest of the batch. ``replaces``: the
    reading that this one supersedes. The cost does not depend on the number of readings in the store.
    """
    if reading.dye is None:
        return reading
    query, sequence = _latest_earlier(photograph, store.review), StripSequence(tube=photograph.tube)
    query = query.where(_READINGS.c.id != (replaces or ""))
    parts = [decode_part(StoredReading, body, _StoredStripPart).reading for body in connection.scalars(query)]
    for part in reversed(parts):
        same_chart = part.provenance.chart == reading.provenance.chart
        if part.dye is not None and same_chart and "profile-missing" not in part.flags:
            sequence = sequence.followed_by(part.dye)
    return with_earlier_strips(reading, sequence if sequence.strips else None)


def _latest_earlier(photograph: Photograph, policy: ReviewPolicy) -> Select[Any]:
    """Return the query of the bodies of the latest valid readings of the same strips, the latest first."""
    r, p, i = _READINGS.c, _PHOTOGRAPHS.c, READING_INDEX.c
    sampled = stamp(photograph.sampled)
    joined = _PHOTOGRAPHS.join(_READINGS, r.photograph == p.id).join(READING_INDEX, i.reading == r.id).join(
        BODIES, BODIES.c.sha256 == r.sha256)
    query = select(BODIES.c.body).select_from(joined).where(
        i.status == "measured", i.superseded_by.is_(None), review_status_sql(i, policy) != "rejected",
        tuple_(i.sampled, p.id) < tuple_(literal(sampled), literal(photograph.id)),
    ).order_by(i.sampled.desc(), p.id.desc()).limit(SEQUENCE)
    if photograph.tube is not None:
        return query.where(p.tube == photograph.tube)
    latest = select(i.reading).where(i.batch == photograph.batch, i.sampled <= sampled).order_by(
        i.sampled.desc(), i.at.desc(), i.reading.desc()).limit(_LATEST_OF_BATCH).subquery()
    # Of an account's photographs there may be far more, so that their index must not be used.
    return query.where(p.tube.is_(None), func.coalesce(p.account, "") == photograph.account,
                       r.id.in_(select(latest.c.reading)))
