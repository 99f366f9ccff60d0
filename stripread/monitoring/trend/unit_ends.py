"""Date at which a treatment unit is due for change, as trend, schedule, status and reports state it.

It is the earliest of the dates from readings, treated volume and calendar.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import chain
from typing import Final, Literal, NamedTuple

import msgspec

from assess.inputs.sample import Sample
from assess.limits import load_limits
from shared.analytes import ANALYTES
from stripread.intake.laboratory_samples import laboratory_samples
from stripread.intake.terms import own_terms, terms_at
from stripread.intake.unit_history import LOADING_ANALYTES, capacity_litres
from stripread.monitoring.sites import SiteInventory
from stripread.monitoring.trend.breakthrough import Breakthrough
from stripread.monitoring.trend.change_points import RECENT, Segment, recent_level
from stripread.monitoring.trend.drift import (
    EXHAUSTED_FRACTION,
    LEAST_READINGS,
    LEAST_SHARE,
    REMOVED_ANALYTES,
    Drift,
    Exhaustion,
    days_to_share,
    drift,
    has_risen,
)
from stripread.monitoring.trend.series import Series, Visit, load_visits, series
from stripread.monitoring.valid_readings import ValidReading, corrections, latest, valid_readings
from stripread.store.models.evidence import ValueSummary
from stripread.store.models.materials import OwnTerms
from stripread.store.models.sites import Service, Unit
from stripread.store.store import Store

_DAYS_A_MONTH: Final = 365.25 / 12
#: Days after renewal beyond which no date is predicted: no cartridge lasts 20 years.
_LONGEST_LIFE: Final = 20 * 365.25
Basis = Literal["readings", "litres", "service term"]


class End(msgspec.Struct, frozen=True, kw_only=True):
    """Date at which a unit is due for change, what it follows from, and the reason.

    ``earliest`` and ``latest``: 95 % interval of the day on which the treated water leaves its limits; None for a
    service term.
    """

    on: date
    why: str
    basis: Basis
    earliest: date | None = None
    latest: date | None = None


class Life(NamedTuple):
    """Series of one analyte downstream of a unit since its renewal, with drift and breakthrough curves."""

    series: Series
    drift: Drift
    curves: Breakthrough | None


@dataclass(frozen=True, slots=True)
class Waters:
    """Readings by sampling point; they are combined into visits on first use.

    ``feed``: latest laboratory or typed sample of each mains without readings, upstream of a unit.
    ``limits``: highest permitted value of analytes in treated water; ``own_limits`` of points with their own set.
    """

    store: Store
    inventory: SiteInventory
    read: Mapping[str, Sequence[ValidReading]]
    corrected: Mapping[tuple[str, str], ValueSummary]
    feed: Mapping[str, Sample] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    own_limits: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    joined: dict[str, list[Visit]] = field(default_factory=dict)
    levels: dict[tuple[str, str], Segment | None] = field(default_factory=dict)
    lives: dict[tuple[str, str, str], Series] = field(default_factory=dict)

    def of(self, point: str, analyte: str) -> Series:
        """Return the series of an analyte at a point; empty if there is none."""
        if point not in self.joined:
            self.joined[point] = load_visits(self.store, self.read.get(point, ()), self.corrected)
        return series(analyte, self.joined[point])

    def limits_at(self, points: Sequence[str]) -> Mapping[str, float]:
        """Return the limits of the first of the points that has its own set, else those of the store."""
        return next((self.own_limits[p] for p in points if p in self.own_limits), self.limits)

    def mains_level(self, unit: Unit, analyte: str) -> Segment | None:
        """Return the present level of the mains at a unit's site, or None."""
        key = (self.inventory.mains.get(unit.site, ""), analyte)
        if key not in self.levels:
            self.levels[key] = recent_level(self.of(*key))
        return self.levels[key]

    def feed_value(self, unit: Unit, analyte: str) -> float | None:
        """Return the value of the feed water: the present level from readings, else of laboratory or typed results."""
        level, sample = self.mains_level(unit, analyte), self.feed.get(self.inventory.mains.get(unit.site, ""))
        if level is not None:
            return level.value
        estimate = None if sample is None else sample.get(analyte)
        return estimate.value if estimate is not None and estimate.status == "measured" else None

    def life(self, renewed: Service, point: str, analyte: str) -> Series:
        """Return the series of an analyte at a point since a renewal, with its scatter; the same object each time."""
        key = (renewed.id, point, analyte)
        if key not in self.lives:
            self.lives[key] = self.of(point, analyte).since(renewed.at).scaled()
        return self.lives[key]

    def since_renewal(self, unit: Unit, renewed: Service, point: str, analyte: str) -> Life:
        """Return the life of an analyte at a point downstream of a unit."""
        life = self.life(renewed, point, analyte)
        removes = analyte in REMOVED_ANALYTES.get(unit.unit.kind, ())
        return Life(life, *drift(life, renewed.at, mains=self.mains_level(unit, analyte), removes=removes,
                                 limit=self.limits_at([point]).get(analyte)))


def waters(store: Store, inventory: SiteInventory) -> Waters:
    """Return the readings downstream of each unit since its renewal, and the latest readings of each mains."""
    since = {point: s.at for unit, points in inventory.downstream.items() if (s := inventory.renewed(unit)) is not None
             for point in points}
    read: dict[str, list[ValidReading]] = {}
    for reading in (*valid_readings(store, since=since), *latest(store, inventory.mains.values(), RECENT)):
        read.setdefault(reading.point, []).append(reading)
    terms, now = own_terms(store), store.clock()
    own = {p.id: upper_limits(terms_at(terms, p, now)) for p in inventory.points.values() if p.limits}
    return Waters(store, inventory, read, corrections(store, chain.from_iterable(read.values())),
                  _laboratory_feed(store, inventory, read), upper_limits(terms), own)


def _laboratory_feed(store: Store, inventory: SiteInventory, read: Collection[str]) -> dict[str, Sample]:
    """Return the latest laboratory or typed sample of each mains that feeds a unit and has no readings."""
    fed = {inventory.mains[unit.site] for unit in inventory.units.values() if unit.site in inventory.mains}
    return {s.point: s.sample for s in laboratory_samples(store, fed.difference(read))}


def upper_limits(terms: OwnTerms) -> dict[str, float]:
    """Return the lowest upper limit of each analyte that is measured."""
    limits: dict[str, float] = {}
    for limit in (terms.limits or load_limits()).limit:
        if limit.at_most is not None and limit.measure in ANALYTES:
            limits[limit.measure] = min(limit.at_most, limits.get(limit.measure, limit.at_most))
    return limits


def ends_of(waters: Waters, unit: Unit) -> list[End]:
    """Return the dates from readings, treated volume and service term, earliest first; none if not installed."""
    renewed = waters.inventory.renewed(unit.id)
    if renewed is None:
        return []
    lives = list(_lives(waters, unit, renewed))
    unchanged = max((life.days for life in lives if not life.risen), default=0.0)
    ends = (_by_calendar(unit, renewed), _by_stated_litres(waters, unit, renewed),
            _by_capacity(waters, unit, renewed, unchanged), *_by_readings(waters, unit, renewed, lives))
    return sorted((e for e in ends if e is not None), key=lambda e: e.on)


def end_of(waters: Waters, unit: Unit) -> End | None:
    """Return the earliest date; None if nothing gives one or the unit is not installed."""
    return next(iter(ends_of(waters, unit)), None)


def exhaustion_of(ends: Sequence[End]) -> End | None:
    """Return the predicted exhaustion with its interval: from readings where they show a rise, else from litres."""
    dated = [e for e in ends if e.earliest is not None]
    return next((e for e in dated if e.basis == "readings"), next(iter(dated), None))


def _by_calendar(unit: Unit, renewed: Service) -> End | None:
    months = unit.unit.service_months
    if months is None:
        return None
    return End(on=renewed.at.date() + timedelta(days=round(months * _DAYS_A_MONTH)), basis="service term",
               why=f"{months:g} months since {renewed.at:%Y-%m-%d}")


def _by_stated_litres(waters: Waters, unit: Unit, renewed: Service) -> End | None:
    """Return the day on which the volume is reached at which the manufacturer asks for a change."""
    stated = unit.unit.capacity_litres
    days = None if stated is None else _days_to(waters, unit, renewed, stated)
    if stated is None or days is None:
        return None
    return End(on=renewed.at.date() + timedelta(days=round(days)), basis="litres",
               why=_volume(waters, unit, renewed, stated))


def _by_capacity(waters: Waters, unit: Unit, renewed: Service, unchanged: float) -> End | None:
    """Return the day on which treated water leaves its limits, from the capacity and the feed water's load.

    ``unchanged``: day after renewal of the last of enough readings without a rise; 0 without them.
    """
    feed = {a: value for a in LOADING_ANALYTES.get(unit.unit.kind, ())
            if (value := waters.feed_value(unit, a)) is not None}
    litres = capacity_litres(unit, _setting(waters, unit), feed)
    half = None if litres is None else _days_to(waters, unit, renewed, litres)
    if litres is None or half is None:
        return None
    share = _limit_share(waters, unit, feed)
    on, earliest, latest = (renewed.at.date() + timedelta(days=round(d)) for d in days_to_share(half, share, unchanged))
    return End(on=on, earliest=earliest, latest=latest, basis="litres",
               why=f"{_volume(waters, unit, renewed, litres)}, 95 % interval {earliest} to {latest}")


def _volume(waters: Waters, unit: Unit, renewed: Service, litres: float) -> str:
    a_day = waters.inventory.litres_per_day(unit) or 0.0
    return f"about {litres:.0f} L at {a_day:.0f} L per day since {renewed.at:%Y-%m-%d}"


def _days_to(waters: Waters, unit: Unit, renewed: Service, litres: float) -> float | None:
    """Return the days from renewal until a volume has passed: by the meter until now, then at the present flow.

    None without a meter or flow, or if the flow is so small that the unit would outlast its material.
    """
    history, now = waters.inventory.history(unit), waters.store.clock()
    through, flow = history.litres(now), waters.inventory.litres_per_day(unit)
    if through is None or not flow:
        return None
    days = (now - renewed.at).total_seconds() / 86400 + (litres - through) / flow
    return days if days <= _LONGEST_LIFE else None


def _setting(waters: Waters, unit: Unit) -> float | None:
    return waters.inventory.history(unit).setting(waters.store.clock())


def _limit_share(waters: Waters, unit: Unit, feed: Mapping[str, float]) -> float:
    """Return the smallest share of removal that may be lost until an analyte of the treated water reaches its limit.

    Half, where the water is beyond a limit from the start or below all of them even untreated.
    """
    through = (1.0 - (_setting(waters, unit) or 0.0)) * unit.unit.removal
    taken = through * min(feed.values())
    limits = waters.limits_at(waters.inventory.downstream.get(unit.id, []))
    shares = [1.0 - (level - limit) / taken for a, level in feed.items()
              if (limit := limits.get(a)) is not None and taken > 0 and level > limit]
    usable = [s for s in shares if LEAST_SHARE <= s <= 1.0 - LEAST_SHARE]
    return min(usable) if usable and len(usable) == len(shares) else EXHAUSTED_FRACTION


class _TreatedSeries(NamedTuple):
    """An analyte at a point downstream with enough readings: day of the last one, and whether they rise."""

    point: str
    analyte: str
    days: float
    risen: bool


def _lives(waters: Waters, unit: Unit, renewed: Service) -> Iterator[_TreatedSeries]:
    """Return each point downstream with each analyte that the unit removes, where there are enough readings."""
    for point in waters.inventory.downstream.get(unit.id, ()):
        for analyte in REMOVED_ANALYTES.get(unit.unit.kind, ()):
            life = waters.life(renewed, point, analyte)
            if len(life) >= LEAST_READINGS:
                days = (life.at[-1] - renewed.at).total_seconds() / 86400
                yield _TreatedSeries(point, analyte, days, has_risen(life))


def _by_readings(
    waters: Waters, unit: Unit, renewed: Service, lives: Sequence[_TreatedSeries]
) -> Iterator[End]:
    """Return the predicted exhaustion at each point downstream, for each analyte that the unit removes."""
    # Fitting the curve takes most of the time with many units, so it is fitted only after a rise.
    for point, analyte in ((life.point, life.analyte) for life in lives if life.risen):
        e = waters.since_renewal(unit, renewed, point, analyte).drift.exhaustion
        if e is not None:
            yield End(on=e.on, earliest=e.earliest, latest=e.latest, basis="readings",
                      why=f"{_passing(analyte, e)}; {waters.inventory.points[point].name}, 95 % interval "
                          f"{e.earliest} to {e.latest}")


def _passing(analyte: str, e: Exhaustion) -> str:
    known = ANALYTES[analyte]
    if e.limit is None:
        return f"half of the {known.name} passes"
    return f"{known.name} reaches its limit of {e.limit:g} {known.unit}"
