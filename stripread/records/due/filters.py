"""When treatment units are to be changed: by what is read behind them, by litres, or by the calendar."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from math import isfinite
from typing import Final

from assess.treatment.unit import Kind
from shared.water.exchange import litres_to_exhaustion
from shared.water.molar import MG_CACO3_PER_EQ
from stripread.records.due.item import Due
from stripread.records.firm import Firm
from stripread.records.kinds.brief import Brief
from stripread.records.kinds.places import Service, Unit
from stripread.records.store import Store
from stripread.records.trend.counted import Counted, corrections, counted, latest
from stripread.records.trend.drift import HELD_BACK, LEAST_READINGS, drift, rises
from stripread.records.trend.occasions import Occasion, occasions
from stripread.records.trend.series import Series, series
from stripread.records.trend.steps import RECENT, Level, recent_level

_DAYS_A_MONTH: Final = 365.25 / 12
#: What an exchanger takes up, as mg/L CaCO3 of the mains: of several the smallest.
_TAKES: Final[dict[Kind, tuple[str, ...]]] = {
    "weak-acid-exchange": ("hardness", "alkalinity"), "sodium-softening": ("hardness",)}


@dataclass(frozen=True, slots=True)
class End:
    """A day on which a unit is spent, and what says so."""

    on: date
    why: str


@dataclass(frozen=True, slots=True)
class Waters:
    """The readings of sampling points that filters are judged by, joined to occasions when first asked for."""

    store: Store
    read: Mapping[str, Sequence[Counted]]
    corrected: Mapping[tuple[str, str], Brief]
    joined: dict[str, list[Occasion]] = field(default_factory=dict)
    levels: dict[tuple[str, str], Level | None] = field(default_factory=dict)

    def of(self, point: str, analyte: str) -> Series:
        """An analyte's history at a point, empty where there is none."""
        if point not in self.joined:
            self.joined[point] = occasions(self.store, self.read.get(point, ()), self.corrected)
        return series(analyte, self.joined[point])

    def mains_level(self, firm: Firm, unit: Unit, analyte: str) -> Level | None:
        """The present level of the mains at a unit's site."""
        key = (firm.mains.get(unit.site, ""), analyte)
        if key not in self.levels:
            self.levels[key] = recent_level(self.of(*key))
        return self.levels[key]


def waters(store: Store, firm: Firm) -> Waters:
    """What was read behind each unit since it was renewed, and the latest readings of each mains."""
    since = {point: s.at for unit, point in firm.behind.items() if (s := firm.renewed(unit)) is not None}
    read: dict[str, list[Counted]] = defaultdict(list)
    for reading in (*counted(store, since=since), *latest(store, firm.mains.values(), RECENT)):
        read[reading.point].append(reading)
    return Waters(store, read, corrections(store))


def changes(firm: Firm, waters: Waters, today: date) -> Iterator[Due]:
    """The next change of every unit in place; what was never fitted in the records is to be looked up today."""
    for unit in firm.units.values():
        if firm.removed(unit.id):
            continue
        end = end_of(firm, waters, unit, today)
        if end is None and firm.renewed(unit.id) is None:
            end = End(today, "nobody noted when it was fitted: note it with `stripread records service`")
        if end is not None:
            yield Due(on=end.on, kind="treatment", subject=unit.id, what=f"change {unit.unit.name}", why=end.why,
                      site=unit.site, site_name=firm.sites[unit.site].name)


def end_of(firm: Firm, waters: Waters, unit: Unit, today: date) -> End | None:
    """The earliest end that anything tells of a unit; None where nothing does.

    Where calendar or litres say that it is overdue, the readings behind it need not be asked.
    """
    renewed = firm.renewed(unit.id)
    if renewed is None:
        return None
    stated = _earliest(_by_calendar(unit, renewed), _by_litres(firm, waters, unit, renewed))
    if stated is not None and stated.on < today:
        return stated
    return _earliest(stated, _by_readings(firm, waters, unit, renewed))


def _earliest(*ends: End | None) -> End | None:
    return min((e for e in ends if e is not None), key=lambda e: e.on, default=None)


def _by_calendar(unit: Unit, renewed: Service) -> End | None:
    months = unit.unit.service_months
    if months is None:
        return None
    return End(renewed.at.date() + timedelta(days=round(months * _DAYS_A_MONTH)),
               f"{months:g} months since {renewed.at:%Y-%m-%d}")


def _by_litres(firm: Firm, waters: Waters, unit: Unit, renewed: Service) -> End | None:
    litres, a_day = _litres(firm, waters, unit, renewed), firm.litres_per_day(unit)
    if litres is None or a_day is None:
        return None
    return End(renewed.at.date() + timedelta(days=round(litres / a_day)),
               f"about {litres:.0f} litres at {a_day:.0f} a day since {renewed.at:%Y-%m-%d}")


def _litres(firm: Firm, waters: Waters, unit: Unit, renewed: Service) -> float | None:
    """Litres that a unit lasts: what its maker states, or its capacity over what it takes from this mains."""
    stated, capacity = unit.unit.capacity_litres, unit.unit.working_eq
    if capacity is None or unit.unit.kind not in _TAKES:
        return stated
    levels = [waters.mains_level(firm, unit, analyte) for analyte in _TAKES[unit.unit.kind]]
    known = [level.value for level in levels if level is not None]
    if len(known) < len(levels):
        return stated
    through = (1.0 - (renewed.setting or 0.0)) * unit.unit.removal
    by_load = float(litres_to_exhaustion(capacity, through * min(known) / MG_CACO3_PER_EQ))
    return min(x for x in (stated, by_load) if x is not None) if isfinite(by_load) else stated


def _by_readings(firm: Firm, waters: Waters, unit: Unit, renewed: Service) -> End | None:
    """What the readings behind it tell: of several analytes that it holds back the first that rises."""
    point = firm.behind.get(unit.id, "")
    for analyte in HELD_BACK.get(unit.unit.kind, ()):
        life = waters.of(point, analyte).since(renewed.at).scaled()
        # The curve is only fitted where something rises: with many units that is what takes the time.
        if len(life) < LEAST_READINGS or not rises(life):
            continue
        told, _ = drift(life, renewed.at, mains=waters.mains_level(firm, unit, analyte), holds_back=True)
        if told.exhaustion is not None:
            e = told.exhaustion
            return End(e.on, f"by the {analyte} read behind it, {e.earliest} to {e.latest}")
    return None
