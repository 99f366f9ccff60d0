"""When a treatment unit is to be changed: the one day that trend, schedule, overview and reports state.

The earliest of what its readings, its litres and the calendar give.
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
from stripread.monitoring.trend.drift import HELD_BACK, LEAST_READINGS, Drift, drift, has_risen
from stripread.monitoring.trend.series import Series, series
from stripread.monitoring.trend.visits import Visit, occasions
from stripread.monitoring.valid_readings import ValidReading, corrections, latest, valid_readings
from stripread.store.models.sites import Service, Unit
from stripread.store.models.value_summary import ValueSummary
from stripread.store.store import Store

_DAYS_A_MONTH: Final = 365.25 / 12
#: What an exchanger takes up, as mg/L CaCO3 of the mains: of several the smallest.
_TAKES: Final[dict[Kind, tuple[str, ...]]] = {
    "weak-acid-exchange": ("hardness", "alkalinity"), "sodium-softening": ("hardness",)}


class End(msgspec.Struct, frozen=True, kw_only=True):
    """The day on which a unit is to be changed, and what gives it."""

    on: date
    why: str


class Life(NamedTuple):
    """One analyte downstream of a unit since its renewal, and what it shows."""

    series: Series
    drift: Drift
    curves: Breakthrough | None


@dataclass(frozen=True, slots=True)
class Waters:
    """The readings of sampling points that units are judged by, joined to occasions when first asked for."""

    store: Store
    firm: SiteInventory
    read: Mapping[str, Sequence[ValidReading]]
    corrected: Mapping[tuple[str, str], ValueSummary]
    joined: dict[str, list[Visit]] = field(default_factory=dict)
    levels: dict[tuple[str, str], Segment | None] = field(default_factory=dict)

    def of(self, point: str, analyte: str) -> Series:
        """An analyte's history at a point, empty where there is none."""
        if point not in self.joined:
            self.joined[point] = occasions(self.store, self.read.get(point, ()), self.corrected)
        return series(analyte, self.joined[point])

    def mains_level(self, unit: Unit, analyte: str) -> Segment | None:
        """The present level of the mains at a unit's site."""
        key = (self.firm.mains.get(unit.site, ""), analyte)
        if key not in self.levels:
            self.levels[key] = recent_level(self.of(*key))
        return self.levels[key]

    def since_renewal(self, unit: Unit, renewed: Service, point: str, analyte: str) -> Life:
        """What an analyte shows at a point downstream of a unit."""
        life = self.of(point, analyte).since(renewed.at).scaled()
        holds_back = analyte in HELD_BACK.get(unit.unit.kind, ())
        return Life(life, *drift(life, renewed.at, mains=self.mains_level(unit, analyte), holds_back=holds_back))


def waters(store: Store, firm: SiteInventory) -> Waters:
    """What was read downstream of each unit since it was renewed, and the latest readings of each mains."""
    since = {point: s.at for unit, points in firm.downstream.items() if (s := firm.renewed(unit)) is not None
             for point in points}
    read: dict[str, list[ValidReading]] = {}
    for reading in (*valid_readings(store, since=since), *latest(store, firm.mains.values(), RECENT)):
        read.setdefault(reading.point, []).append(reading)
    return Waters(store, firm, read, corrections(store))


def end_of(waters: Waters, unit: Unit) -> End | None:
    """The earliest day that anything gives; None where nothing does, or the unit is not in place."""
    renewed = waters.firm.renewed(unit.id)
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
    litres, a_day = _litres(waters, unit, renewed), waters.firm.litres_per_day(unit)
    if litres is None or a_day is None:
        return None
    return End(on=renewed.at.date() + timedelta(days=round(litres / a_day)),
               why=f"about {litres:.0f} litres at {a_day:.0f} a day since {renewed.at:%Y-%m-%d}")


def _litres(waters: Waters, unit: Unit, renewed: Service) -> float | None:
    """Litres that a unit lasts: what its maker states, or its capacity over what it takes from this mains."""
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
    """Where and by which analyte that it holds back half passes."""
    for point in waters.firm.downstream.get(unit.id, ()):
        for analyte in HELD_BACK.get(unit.unit.kind, ()):
            life = waters.of(point, analyte).since(renewed.at).scaled()
            # The curve is only fitted where something rises: with many units that is what takes the time.
            if len(life) < LEAST_READINGS or not has_risen(life):
                continue
            e = waters.since_renewal(unit, renewed, point, analyte).drift.exhaustion
            if e is not None:
                where = waters.firm.points[point].name
                yield End(on=e.on, why=f"half of the {ANALYTES[analyte].name} passes at {where}, 95 % interval "
                          f"{e.earliest} to {e.latest}")
