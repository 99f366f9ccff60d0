"""60 treated sites over a simulated year: how often the day of exhaustion is inside its stated 95 % interval.

Water, capacity, flow and wear are a mass balance of each site, drawn at random; only strip values, meter readings and
what a data sheet states enter the store. ``python -m tests.bench.treated_sites SEED...``
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from assess.equipment import load_equipment
from assess.treatment.unit import TreatmentUnit, load_units
from assess.treatment.upkeep import STEEPNESS, U_CAPACITY, lost_removal
from shared.water.molar import MG_CACO3_PER_EQ
from stripread.intake.terms import own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, overview
from stripread.monitoring.trend.unit_ends import upper_limits
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store
from tests.bench.samples import chart_and_profile
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    empty_store,
    keep,
    photograph_of,
    read_value,
    reading_of,
    with_chart,
)

SITES: Final = 60
#: Marks of the bypass valve.
_MARKS: Final = (0.0, 0.1, 0.2, 0.3, 0.4)
_UNIT: Final = msgspec.structs.replace(load_units()["weak-acid-exchange"], bypass_settings=_MARKS)
_BATCHES: Final = ("A", "B", "C")
_OUTLET_DAYS, _TAP_DAYS, _YEAR = 14, 42, 365
#: Relative standard deviations of a site's flow from its stated demand, and of its feed water between visits.
_U_FLOW, _U_FEED = 0.1, 0.03
_MACHINE: Final = load_equipment("two-boiler-espresso")
_DEMAND: Final = _MACHINE.litres_per_day


@dataclass(frozen=True, slots=True)
class SimulatedSite:
    """The truth about one site: feed water (mg/L CaCO3), unit, flow (L/day), days since installation (``age``)."""

    name: str
    hardness: float
    alkalinity: float
    bypass: float
    unit: TreatmentUnit
    half_days: float
    steepness: float
    flow: float
    metered: bool
    age: int = 0

    def treated(self, days: float) -> float:
        """Return the true hardness of the treated water ``days`` after installation."""
        lost = float(lost_removal(np.array(days / self.half_days), self.steepness))
        return self.hardness - (1 - self.bypass) * self.unit.removal * self.alkalinity * (1 - lost)

    def leaves(self, limit: float) -> int | None:
        """Return the first day with hardness above a limit; None: not within two years, or from the start."""
        above = [day for day in range(2 * _YEAR) if self.treated(day) > limit]
        return above[0] if above and above[0] > 0 else None


def simulated(i: int, limit: float, rng: np.random.Generator) -> SimulatedSite:
    """Return a site whose fresh unit keeps the limit; it is looked at somewhere in the life of its cartridge."""
    while True:
        hardness = float(rng.uniform(120, 320))
        alkalinity, bypass = hardness * float(rng.uniform(0.7, 0.95)), float(rng.choice(_MARKS))
        stated, flow = float(rng.uniform(60, 300)), float(np.exp(_U_FLOW * rng.standard_normal()))
        load = (1 - bypass) * _UNIT.removal * alkalinity / MG_CACO3_PER_EQ
        half = stated / flow * float(np.exp(U_CAPACITY * rng.standard_normal()))
        site = SimulatedSite(
            name=f"site {i:02d}", hardness=hardness, alkalinity=alkalinity, bypass=bypass, half_days=half,
            unit=msgspec.structs.replace(_UNIT, capacity_eq=stated * _DEMAND * load), flow=flow * _DEMAND,
            steepness=float(np.exp(rng.uniform(*np.log(STEEPNESS)))), metered=bool(rng.integers(2)))
        end = site.leaves(limit)
        if end is not None and end < _YEAR and site.treated(0) < 0.85 * limit:
            return replace(site, age=max(1, int(end * rng.uniform(0.2, 0.98))))


def records(site: SimulatedSite, charts: dict[str, str], rng: np.random.Generator) -> Iterator[Record]:
    """Yield what the store knows of a site: equipment, work, strips at tap and outlet until today."""
    start = NOW - timedelta(days=site.age)
    unit, tap, outlet = (f"{site.name} {part}" for part in ("unit", "tap", "outlet"))
    yield Site(id=site.name, name=site.name)
    yield Machine(id=f"{site.name} machine", site=site.name, equipment=_MACHINE)
    yield Unit(id=unit, site=site.name, catalogue="weak-acid-exchange", unit=site.unit)
    yield SamplingPoint(id=tap, site=site.name, place="mains", name="tap")
    yield SamplingPoint(id=outlet, site=site.name, place="after treatment", name="outlet", unit=unit)
    yield Service(id=f"{unit} 0", unit=unit, at=start, job="installed", account=ACCOUNT, setting=site.bypass,
                  litres=0.0)
    for day in range(30, site.age if site.metered else 0, 60):
        yield Service(id=f"{unit} {day}", unit=unit, at=start + timedelta(days=day), job="inspected", account=ACCOUNT,
                      litres=site.flow * day)
    chart_errors = rng.standard_normal(len(_BATCHES))
    for day in range(_YEAR):
        age = day - _YEAR + site.age
        batch, feed = day * len(_BATCHES) // _YEAR, 1 + _U_FEED * rng.standard_normal()
        for point, due, true in ((tap, _TAP_DAYS, site.hardness), (outlet, _OUTLET_DAYS, site.treated(max(age, 0)))):
            if day % due == 0 and (point == tap or age > 0):
                level = {"hardness": true, "alkalinity": site.alkalinity + true - site.hardness}
                photograph = photograph_of(f"{point} {day}", NOW - timedelta(days=_YEAR - day), point=point,
                                           batch=_BATCHES[batch])
                yield photograph
                yield reading_of(photograph, {a: read_value(v * feed, rng, chart_errors[batch]) for a, v in
                                              level.items()}, chart=charts[_BATCHES[batch]])


def year(folder: Path, seed: int) -> tuple[Store, dict[str, date]]:
    """Return a store of `SITES` sites, and the true day by site on which each unit leaves its limits."""
    rng, store = np.random.default_rng(seed), empty_store(folder)
    charts = with_chart(store, chart_and_profile()[0], *_BATCHES)
    limit = upper_limits(own_terms(store))["hardness"]
    sites = [simulated(i, limit, rng) for i in range(SITES)]
    keep(store, *(record for site in sites for record in records(site, charts, rng)))
    today = NOW.date()
    return store, {s.name: today + timedelta(days=(s.leaves(limit) or 0) - s.age) for s in sites}


def run(*seeds: int) -> None:
    """Print the coverage for each seed and for all of them."""
    outcomes = [outcome for seed in seeds or (2026,) for outcome in _outcomes(seed)]
    found = [o for o in outcomes if o is not None]
    print(f"{len(outcomes)} treated sites over a year: {len(found)} with a predicted day; the true day is inside its "
          f"95 % interval in {100 * np.mean(found):.1f} %")


def _outcomes(seed: int) -> list[bool | None]:
    with tempfile.TemporaryDirectory() as name:
        store, true = year(Path(name), seed)
        status = overview(store, load_intervals(), scope=Scope())
        store.close()
    found = [_inside(site, true[site.site]) for site in status.sites]
    print(f"seed {seed}: {sum(map(bool, found))} of {sum(f is not None for f in found)} intervals contain the true day",
          flush=True)
    return found


def _inside(site: SiteStatus, true: date) -> bool | None:
    end = site.exhaustion
    if end is None or end.earliest is None or end.latest is None:
        return None
    return end.earliest <= true <= end.latest


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
