"""Ledger of a machine: scale deposited in each boiler at most, and chloride in its water, from its assessed waters.

Each assessed water counts from its sample until the next one, at the machine's stated demand. The intervals of single
readings are added, because the errors of readings on one chart are common.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Any, Final, NamedTuple

import msgspec
from sqlalchemy import literal, select

from assess.draws import Interval
from stripread.monitoring.valid_readings import is_valid_sql
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import SampleAssessment, StoredAssessment
from stripread.store.models.record import stamp
from stripread.store.models.sites import NEAREST, Machine, MachineJob, MachineWork, SamplingPoint
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.store import Store

_ASSESSMENTS, _SAMPLES = (RECORD_TYPES[kind].table for kind in (StoredAssessment, SampleAssessment))
#: Work after which a boiler contains no scale.
_REMOVES_SCALE: Final[tuple[MachineJob, ...]] = ("installed", "descaled", "boiler replaced")
_ZERO: Final = Interval(value=0.0, low=0.0, high=0.0)


class LedgerEntry(msgspec.Struct, frozen=True, kw_only=True):
    """A water from its sample ``since`` until the next one: scale in grams in a boiler; chloride there, mg/L.

    ``reading``: empty for a laboratory or typed sample. ``chloride`` None: not measured.
    """

    boiler: str
    since: datetime
    until: datetime
    reading: str
    scale_g: Interval
    chloride: Interval | None


class BoilerAccount(msgspec.Struct, frozen=True, kw_only=True):
    """Sum of a boiler ``since`` a time: scale in grams at most, and the highest chloride of its water, mg/L."""

    boiler: str
    since: datetime
    scale_g: Interval
    highest_chloride: Interval | None


class MachineLedger(msgspec.Struct, frozen=True, kw_only=True):
    """Ledger of a machine over a period; ``point``: the sampling point nearest to it that was assessed."""

    machine: str
    name: str
    point: str
    since: datetime
    until: datetime
    boilers: tuple[BoilerAccount, ...]
    entries: tuple[LedgerEntry, ...]


class _Boiler(msgspec.Struct):
    boiler: str
    cycles: float
    scale_g_per_week: Interval


class _Value(msgspec.Struct):
    analyte: str
    value: float
    low: float
    high: float


class _Assessment(msgspec.Struct):
    boilers: tuple[_Boiler, ...]
    values: tuple[_Value, ...]


class _Stored(msgspec.Struct):
    assessment: _Assessment


def machine_ledger(store: Store, machine: str, since: datetime | None = None, until: datetime | None = None
                   ) -> MachineLedger:
    """Return the ledger of a machine ``since`` a time [default: since each boiler was last free of scale].

    Without such recorded work, a boiler's account begins at the first reading. ``until``: its end [default: now].
    Raises RecordsError where no water of the machine was assessed in this time.
    """
    stored, end = store.get(Machine, machine), min(until or store.clock(), store.clock())
    point, rows = _waters(store, stored, end)
    sampled = [datetime.fromisoformat(row.sampled) for row in rows]
    begins = _Begins(sampled[0] if since is None else max(since, sampled[0]),
                     [] if since is not None else _free_of_scale(store, machine, end))
    entries = [entry for row, (first, last) in zip(rows, pairwise([*sampled, end]), strict=True)
               for entry in _entries(row, first, last, begins)]
    names = dict.fromkeys(e.boiler for e in entries)
    accounts = tuple(_account(name, [e for e in entries if e.boiler == name]) for name in names)
    return MachineLedger(machine=machine, name=stored.equipment.name, point=point, until=end, boilers=accounts,
                         since=min((a.since for a in accounts), default=begins.earliest), entries=tuple(entries))


class _Begins(NamedTuple):
    """Accounts begin at the last of the ``work`` that freed a boiler of scale, but not before ``earliest``."""

    earliest: datetime
    work: Sequence[MachineWork]

    def of(self, boiler: str) -> datetime:
        return max([self.earliest, *(w.at for w in self.work if w.boiler in (None, boiler))])


def _free_of_scale(store: Store, machine: str, until: datetime) -> list[MachineWork]:
    """Return the work after which boilers contain no scale."""
    return [w for w in store.find(MachineWork, machine=machine)
            if w.struck is None and w.job in _REMOVES_SCALE and w.at < until]


def _waters(store: Store, machine: Machine, until: datetime) -> tuple[str, Sequence[Any]]:
    """Return the point nearest to a machine with assessed results until a time, and these in order of time."""
    points = sorted((p for p in store.find(SamplingPoint, site=machine.site) if p.machine in (None, machine.id)),
                    key=lambda p: NEAREST.index(p.place))
    for point in points:
        rows = _assessed_at(store, point.id, stamp(until))
        if rows:
            return point.id, rows
    raise RecordsError("no water of this machine has been assessed yet", where=f"machine {machine.id}",
                       found="no reading", remedy="test a sampling point of its site")


def _assessed_at(store: Store, point: str, until: str) -> list[Any]:
    """Return the current assessments of readings, laboratory and typed samples of a point, in order of time."""
    c, s, later = READING_INDEX.c, _SAMPLES.c, _SAMPLES.alias("later").c
    read = (select(c.sampled, c.reading, BODIES.c.body).join(_ASSESSMENTS, _ASSESSMENTS.c.id == c.assessment)
            .join(BODIES, BODIES.c.sha256 == _ASSESSMENTS.c.sha256)
            .where(c.point == point, c.sampled < until, *is_valid_sql(store.review)).order_by(c.sampled, c.at))
    last = select(later.id).where(later.point == s.point, later.taken == s.taken).order_by(
        later.at.desc(), later.id.desc()).limit(1).scalar_subquery()
    sampled = (select(s.taken.label("sampled"), literal("").label("reading"), BODIES.c.body)
               .join(BODIES, BODIES.c.sha256 == s.sha256)
               .where(s.point == point, s.taken < until, s.id == last))
    with store.viewing() as connection:
        rows = [*connection.execute(read), *connection.execute(sampled)]
    return sorted(rows, key=lambda row: row.sampled)


def _entries(row: Any, since: datetime, until: datetime, begins: _Begins) -> Iterator[LedgerEntry]:
    content = decode_part(StoredAssessment, row.body, _Stored).assessment
    chloride = next((v for v in content.values if v.analyte == "chloride"), None)
    for b in content.boilers:
        first = max(since, begins.of(b.boiler))
        if first < until:
            yield LedgerEntry(
                boiler=b.boiler, since=first, until=until, reading=row.reading,
                scale_g=_times(b.scale_g_per_week, (until - first).total_seconds() / 604_800),
                chloride=None if chloride is None else _times(
                    Interval(value=chloride.value, low=chloride.low, high=chloride.high), b.cycles))


def _times(one: Interval, factor: float) -> Interval:
    return Interval(value=factor * one.value, low=factor * one.low, high=factor * one.high)


def _account(name: str, entries: Sequence[LedgerEntry]) -> BoilerAccount:
    total = _ZERO
    for e in entries:
        total = Interval(value=total.value + e.scale_g.value, low=total.low + e.scale_g.low,
                         high=total.high + e.scale_g.high)
    chlorides = [e.chloride for e in entries if e.chloride is not None]
    return BoilerAccount(boiler=name, since=entries[0].since, scale_g=total, highest_chloride=max(
        chlorides, key=lambda c: c.value, default=None))
