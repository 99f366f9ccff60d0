"""Date at which a treatment unit is due for change, as trend, schedule, status and reports state it.

It is the earliest of the dates from readings, treated volume and calendar.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from math import isfinite
from typing import Final, NamedTuple

import msgspec

from assess.treatment.levels import Kind
from shared.analytes import ANALYTES
from shared.water.exchange import litres_to_exhaustion
from shared.water.molar import MG_CACO3_PER_EQ
from stripread.monitoring.sites import SiteInventory
from stripread.monitoring.trend.breakthrough import Breakthrough
from stripread.monitoring.trend.change_points import RECENT, Segment, recent_level
from stripread.monitoring.trend.drift import LEAST_READINGS, REMOVED_ANALYTES, Drift, drift, has_risen
from stripread.monitoring.trend.series import Series, series
from stripread.monitoring.trend.visits import Visit, load_visits
from stripread.monitoring.valid_readings import ValidReading, corrections, latest, valid_readings
from stripread.store.models.sites import Service, Unit
from stripread.store.models.value_summary import ValueSummary
from stripread.store.store import Store

_DAYS_A_MONTH: Final = 365.25 / 12
#: Analytes that load an exchanger, as mg/L CaCO3 of the mains: the smallest of them applies.
_TAKES: Final[dict[Kind, tuple[str, ...]]] = {
    "weak-acid-exchange": ("hardness", "alkalinity"), "sodium-softening": ("hardness",)}


class End(msgspec.Struct, frozen=True, kw_only=True):
    """Date at which a unit is due for change, and the reason."""

    on: date
    why: str


class Life(NamedTuple):
    """Series of one analyte downstream of a unit since its renewal, with drift and breakthrough curves."""

    series: Series
    drift: Drift
    curves: Breakthrough | None


@dataclass(frozen=True, slots=True)
class Waters:
    """Readings by sampling point; they are combined into visits on first use."""

    store: Store
    inventory: SiteInventory
    read: Mapping[str, Sequence[ValidReading]]
    corrected: Mapping[tuple[str, str], ValueSummary]
    joined: dict[str, list[Visit]] = field(default_factory=dict)
    levels: dict[tuple[str, str], Segment | None] = field(default_factory=dict)

    def of(self, point: str, analyte: str) -> Series:
        """Return the series of an analyte at a point; empty if there is none."""
        if point not in self.joined:
            self.joined[point] = load_visits(self.store, self.read.get(point, ()), self.corrected)
        return series(analyte, self.joined[point])

    def mains_level(self, unit: Unit, analyte: str) -> Segment | None:
        """Return the present level of the mains at a unit's site, or None."""
        key = (self.inventory.mains.get(unit.site, ""), analyte)
        if key not in self.levels:
            self.levels[key] = recent_level(self.of(*key))
        return self.levels[key]

    def since_renewal(self, unit: Unit, renewed: Service, point: str, analyte: str) -> Life:
        """Return the life of an analyte at a point downstream of a unit."""
        life = self.of(point, analyte).since(renewed.at).scaled()
        removes = analyte in REMOVED_ANALYTES.get(unit.unit.kind, ())
        return Life(life, *drift(life, renewed.at, mains=self.mains_level(unit, analyte), removes=removes))


def waters(store: Store, inventory: SiteInventory) -> Waters:
    """Return the readings downstream of each unit since its renewal, and the latest readings of each mains."""
    since = {point: s.at for unit, points in inventory.downstream.items() if (s := inventory.renewed(unit)) is not None
             for point in points}
    read: dict[str, list[ValidReading]] = {}
    for reading in (*valid_readings(store, since=since), *latest(store, inventory.mains.values(), RECENT)):
        read.setdefault(reading.point, []).append(reading)
    return Waters(store, inventory, read, corrections(store))


def end_of(waters: Waters, unit: Unit) -> End | None:
    """Return the earliest due date; None if nothing gives one or the unit is not installed."""
    renewed = waters.inventory.renewed(unit.id)
    if renewed is None:
        return None
    return _earliest(_by_calendar(unit, renewed), _by_litres(waters, unit, renewed),
                     *_by_readings(waters, unit, renewed))


def _earliest(*ends: End | None) -> End | None:
    return min((e for e in ends if e is not None), key=lambda e: e.on, default=None)


def _by_calendar(unit: Unit, renewed: Service) -> End | None:
    months = unit.unit.service_months
    if months is None:
        return None
    return End(on=renewed.at.date() + timedelta(days=round(months * _DAYS_A_MONTH)),
               why=f"{months:g} months since {renewed.at:%Y-%m-%d}")


def _by_litres(waters: Waters, unit: Unit, renewed: Service) -> End | None:
    litres, a_day = _litres(waters, unit, renewed), waters.inventory.litres_per_day(unit)
    if litres is None or a_day is None:
        return None
    return End(on=renewed.at.date() + timedelta(days=round(litres / a_day)),
               why=f"about {litres:.0f} L at {a_day:.0f} L per day since {renewed.at:%Y-%m-%d}")


def _litres(waters: Waters, unit: Unit, renewed: Service) -> float | None:
    """Return the volume in litres until exhaustion: as the manufacturer states it, or from capacity and mains."""
    stated, capacity = unit.unit.capacity_litres, unit.unit.working_eq
    if capacity is None or unit.unit.kind not in _TAKES:
        return stated
    levels = [waters.mains_level(unit, analyte) for analyte in _TAKES[unit.unit.kind]]
    known = [level.value for level in levels if level is not None]
    if len(known) < len(levels):
        return stated
    through = (1.0 - (renewed.setting or 0.0)) * unit.unit.removal
    by_load = float(litres_to_exhaustion(capacity, through * min(known) / MG_CACO3_PER_EQ))
    return min(x for x in (stated, by_load) if x is not None) if isfinite(by_load) else stated


def _by_readings(waters: Waters, unit: Unit, renewed: Service) -> Iterator[End]:
    """Return the predicted exhaustion at each point downstream, for each analyte that the unit removes."""
    for point in waters.inventory.downstream.get(unit.id, ()):
        for analyte in REMOVED_ANALYTES.get(unit.unit.kind, ()):
            life = waters.of(point, analyte).since(renewed.at).scaled()
            # Fitting the curve takes most of the time with many units, so it is fitted only after a rise.
            if len(life) < LEAST_READINGS or not has_risen(life):
                continue
            e = waters.since_renewal(unit, renewed, point, analyte).drift.exhaustion
            if e is not None:
                where = waters.inventory.points[point].name
                yield End(on=e.on, why=f"half of the {ANALYTES[analyte].name} passes at {where}, 95 % interval "
                          f"{e.earliest} to {e.latest}")
