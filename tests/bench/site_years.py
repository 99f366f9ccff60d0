"""A store with many sites and years of readings, as it would have grown, its photographs purged."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from math import exp, hypot
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from assess import AssessmentSetup, assess, load_equipment, load_limits, sample_from_typed
from assess.assessment import Assessment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.analytes import ANALYTES
from shared.estimate import Z95, Part
from shared.water.molar import MG_CACO3_PER_EQ
from stripread.reading.result import PadReading, Provenance, Reading
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.materials import Batch, StoredChart, Tube
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, SiteGroup, Unit
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.bench.bulk import BY, fill

#: The day on which the store is looked at.
NOW: Final = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
#: Weeks that a batch of strips and a filter last here, and between readings of the mains; sites of a group.
BATCH_WEEKS, FILTER_WEEKS, MAINS_WEEKS, GROUP_SITES = 13, 26, 13, 50
_CORNER: Final = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Size:
    """Number of sites, measured weekly after their filters, and number of weeks."""

    sites: int = 500
    weeks: int = 156


def bulk_store(folder: Path, chart: Chart, size: Size) -> Store:
    """The store, at the day `NOW`."""
    store = open_store(Settings(database=f"sqlite:///{folder / 'records.sqlite'}",
                                photographs=str(folder / "photographs")), clock=lambda: NOW)
    fill(store, _all(chart, size))
    return store


def _all(chart: Chart, size: Size) -> Iterator[Record]:
    yield Account(id=BY, roles=ROLES)
    charts = [msgspec.structs.replace(chart, batch=f"B{i:02d}") for i in range(-(-size.weeks // BATCH_WEEKS))]
    for made in charts:
        yield Batch(id=made.batch, strip=made.strip.name, expires=date(2027, 1, 1), keeps_days=120)
        yield Tube(id=f"{made.batch}/1", batch=made.batch, opened=date(2026, 1, 5),
                   finished=None if made is charts[-1] else date(2026, 1, 5))
        yield StoredChart(id=made.id, batch=made.batch, at=NOW, chart=made)
    yield from (SiteGroup(id=f"group {i}", name=f"Group {i}") for i in range(-(-size.sites // GROUP_SITES)))
    ids = [(made.batch, made.id) for made in charts]
    judged = _judged()
    for i in range(size.sites):
        yield from _site(i, size.weeks, ids, judged)


def _judged() -> Assessment:
    """An invented water judged for a general machine."""
    sample = sample_from_typed({"hardness": "90 ± 6 mg/L CaCO3", "alkalinity": "70 ± 5 mg/L CaCO3", "ph": "7.4 ± 0.2"})
    return assess(
        sample, AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units={})
    )


def _site(i: int, weeks: int, charts: list[tuple[str, str]], judged: Assessment) -> Iterator[Record]:
    """A mains read now and then, a filter changed twice a year and read behind every week, the last reading judged."""
    rng, site = np.random.default_rng(i), f"site {i:03d}"
    yield Site(id=site, name=f"Site {i:03d}", group=f"group {i // GROUP_SITES}")
    yield Machine(id=f"{site} machine", site=site, equipment=judged.equipment)
    yield SamplingPoint(id=f"{site} tap", site=site, place="mains", name="tap")
    mains, first, half = float(rng.uniform(120, 300)), int(rng.integers(FILTER_WEEKS)), float(rng.uniform(20, 40))
    # Its data sheet states the capacity: as many litres of this mains as pass until half of it comes through.
    litres = 7 * half * judged.equipment.litres_per_day
    capacity = 0.9 * litres * mains / MG_CACO3_PER_EQ
    unit = msgspec.structs.replace(load_units()["weak-acid-exchange"], capacity_eq=capacity)
    yield Unit(id=f"{site} filter", site=site, catalogue="weak-acid-exchange", unit=unit)
    yield SamplingPoint(id=f"{site} behind", site=site, place="after treatment", name="behind", unit=f"{site} filter")
    for week in range(weeks):
        at = NOW - timedelta(weeks=weeks - week) + timedelta(hours=i % 8)
        age = (week + first) % FILTER_WEEKS
        if age == 0 or week == 0:
            yield Service(id=f"{site} change {week}", unit=f"{site} filter", at=at - timedelta(days=1 + 7 * age),
                          job="cartridge changed", account=BY)
        level = 30.0 + (mains - 30.0) / (1.0 + exp(10.0 * (1.0 - age / half)))
        yield from _read(f"{site} behind", at, _values(rng, level, level), charts[week // BATCH_WEEKS])
        if week % MAINS_WEEKS == 0:
            yield from _read(f"{site} tap", at, _values(rng, mains * 1.1, mains), charts[week // BATCH_WEEKS])
    yield StoredAssessment(id=f"{site} judged", reading=f"{site} behind {at:%Y-%m-%d}", at=NOW, account=BY,
                           assessment=judged, machine=f"{site} machine")


def _values(rng: np.random.Generator, hardness: float, alkalinity: float) -> tuple[PadReading, ...]:
    true = {"hardness": (hardness, 0.04), "alkalinity": (alkalinity, 0.04), "ph": (7.2, 0.015),
            "chloride": (25.0, 0.1), "chlorine": (0.2, 0.2)}
    return tuple(_pad(analyte, value, relative, rng) for analyte, (value, relative) in true.items())


def _pad(analyte: str, true: float, relative: float, rng: np.random.Generator) -> PadReading:
    u = relative * true
    value = max(0.0, true + u * float(rng.standard_normal()))
    reach = Z95 * hypot(u, u / 2)
    return PadReading(
        analyte=analyte, status="measured", value=value, low=max(0.0, value - reach), high=value + reach,
        unit=ANALYTES[analyte].unit, lab=(70.0, 10.0, 20.0), lab_covariance=None, px=_CORNER,
        outline_px=(_CORNER, _CORNER, _CORNER, _CORNER),
        budget=(Part(name="pad pixels", u=u / 10, shared=False), Part(name="strip repeatability", u=u, shared=False),
                Part(name="chart", u=u / 2, shared=True)))


def _read(point: str, at: datetime, pads: tuple[PadReading, ...], chart: tuple[str, str]) -> Iterator[Record]:
    name, (batch, chart_id) = f"{point} {at:%Y-%m-%d}", chart
    sha256 = hashlib.sha256(name.encode()).hexdigest()
    yield Photograph(id=sha256, name=name, size=len(name), received=at, dipped=at, account=BY, point=point,
                     batch=batch, removed=at)
    yield StoredReading(
        id=name, photograph=sha256, at=at, account=BY, reading=Reading(
            photo=name, status="measured", reason="", flags=(), pads=pads, provenance=Provenance(
                software="bench", photo_sha256=sha256, pixels_sha256="", chart=chart_id, batch=batch, profile="")))
