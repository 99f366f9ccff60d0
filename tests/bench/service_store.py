"""A service for many sites: years of records in a store of any size, which verifies.

Every site has a mains, a filter with treated water, a machine, and the same number of readings, so that larger stores
have more sites of the same kind. Values are invented; photographs are purged, so that no files are needed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from typing import Final

import msgspec

from assess import Assessment, load_equipment
from assess.equipment import Equipment
from assess.treatment.unit import TreatmentUnit, load_units
from calibration.chart import Chart
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.reading.result import PadReading, Provenance, Reading
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import Photograph, Review, StoredAssessment, StoredReading
from stripread.store.models.materials import Batch, StoredChart, Tube
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, SiteGroup, Unit
from stripread.store.store import Store
from tests.bench.bulk import BY, fill
from tests.bench.many_records import judged
from tests.bench.samples import chart_and_profile

#: The day on which the store is examined.
NOW: Final = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
#: Readings of a site, one in five of the mains, and the days over which they are spread.
PER_SITE, _MAINS, _DAYS = 200, 5, 1000
_GROUP_SITES, _BATCHES, _FILTER_DAYS = 50, 12, 180
_CORNER: Final = (0.0, 0.0)
#: Relative standard uncertainties, and values that do not depend on the site.
_SPREAD: Final = {"hardness": 0.04, "alkalinity": 0.04, "ph": 0.015, "chloride": 0.1, "chlorine": 0.2}
_USUAL: Final = {"ph": 7.2, "chloride": 25.0, "chlorine": 0.2}


def populate(store: Store, sites: int) -> None:
    """Fill an empty store with ``sites`` sites and their readings."""
    fill(store, _records(sites))


@dataclass(frozen=True, slots=True)
class _Common:
    """What all sites share: charts by batch, three assessments, a machine and a filter."""

    charts: Sequence[Chart]
    judged: Sequence[Assessment] = field(default_factory=judged)
    equipment: Equipment = field(default_factory=lambda: load_equipment("two-boiler-espresso"))
    unit: TreatmentUnit = field(default_factory=lambda: load_units()["weak-acid-exchange"])


def _records(sites: int) -> Iterator[Record]:
    """In an order in which each refers to earlier ones only."""
    chart = chart_and_profile()[0]
    common = _Common([msgspec.structs.replace(chart, batch=f"B{i:02d}") for i in range(_BATCHES)])
    yield Account(id=BY, roles=ROLES)
    for made in common.charts:
        yield Batch(id=made.batch, strip=made.strip.name, expires=date(2027, 1, 1), keeps_days=120)
        yield Tube(id=f"{made.batch}/1", batch=made.batch, opened=date(2026, 1, 5),
                   finished=None if made is common.charts[-1] else date(2026, 1, 5))
        yield StoredChart(id=made.id, batch=made.batch, at=NOW - timedelta(days=_DAYS), chart=made)
    yield from (SiteGroup(id=f"group {i}", name=f"Round {i}") for i in range(-(-sites // _GROUP_SITES)))
    for i in range(sites):
        yield from _site(i, common)


def _site(i: int, common: _Common) -> Iterator[Record]:
    site, rng = f"site {i:04d}", random.Random(i)
    yield Site(id=site, name=f"Mill {i:04d}", group=f"group {i // _GROUP_SITES}")
    yield Machine(id=f"{site} machine", site=site, equipment=common.equipment)
    yield Unit(id=f"{site} filter", site=site, catalogue="weak-acid-exchange", unit=common.unit)
    yield SamplingPoint(id=f"{site} tap", site=site, place="mains", name="tap")
    yield SamplingPoint(id=f"{site} treated", site=site, place="after treatment", name="filter outlet",
                        unit=f"{site} filter", machine=f"{site} machine")
    first = rng.randrange(_FILTER_DAYS)
    for day in range(first, _DAYS, _FILTER_DAYS):
        yield Service(id=f"{site} change {day}", unit=f"{site} filter", at=NOW - timedelta(days=day), account=BY,
                      job="cartridge changed")
    mains = rng.uniform(120, 300)
    for k in range(PER_SITE):
        yield from _reading(site, k, (mains, first), rng, common)


def _reading(site: str, k: int, water: tuple[float, int], rng: random.Random, common: _Common) -> Iterator[Record]:
    """A photograph, its reading, its assessment, and for some a review."""
    mains, first = water
    days_ago = _DAYS * (1.0 - (k + 1) / PER_SITE) + rng.random()
    at, tap = NOW - timedelta(days=days_ago), k % _MAINS == 0
    age = (first - days_ago) % _FILTER_DAYS / _FILTER_DAYS
    hardness = mains if tap else 35.0 + (mains - 35.0) * age**4
    chart = common.charts[min(_BATCHES - 1, k * _BATCHES // PER_SITE)]
    name = f"{site} {k:03d}"
    photo, id_ = sha256(name.encode()).hexdigest(), f"{rng.getrandbits(128):032x}"
    yield Photograph(id=photo, name=f"{name}.jpg", size=1, received=at, dipped=at, account=BY, batch=chart.batch,
                     point=f"{site} {'tap' if tap else 'treated'}", removed=at)
    yield StoredReading(id=id_, photograph=photo, at=at, account=BY, reading=_read(
        photo, name, chart, _pads(hardness, rng), rng))
    verdict = 0 if hardness < 80 else 1 if hardness < 100 else 2
    yield StoredAssessment(id=f"a {name}", reading=id_, at=at, account=BY, assessment=common.judged[verdict],
                           machine=f"{site} machine")
    if rng.random() < 0.3:
        yield Review(id=f"r {name}", reading=id_, decision="rejected" if rng.random() < 0.01 else "accepted",
                     why="examined", at=at, account=BY)


def _read(photo: str, name: str, chart: Chart, pads: tuple[PadReading, ...], rng: random.Random) -> Reading:
    failed = rng.random() < 0.02
    flags = ("glare",) if rng.random() < 0.001 else ("blurred",) if rng.random() < 0.05 else ()
    return Reading(
        photo=f"{name}.jpg", status="no-result" if failed else "measured", reason="No card." if failed else "",
        flags=flags, pads=() if failed else pads, provenance=Provenance(
            software="bench", photo_sha256=photo, pixels_sha256="", chart=chart.id, batch=chart.batch, profile=""))


def _pads(hardness: float, rng: random.Random) -> tuple[PadReading, ...]:
    true = {"hardness": hardness, "alkalinity": 0.8 * hardness, **_USUAL}
    return tuple(_pad(analyte, value, _SPREAD[analyte], rng) for analyte, value in true.items())


def _pad(analyte: str, true: float, relative: float, rng: random.Random) -> PadReading:
    value = max(0.0, true * (1.0 + relative * rng.gauss(0.0, 1.0)))
    reach = Z95 * relative * true
    return PadReading(
        analyte=analyte, status="measured", value=value, low=max(0.0, value - reach), high=value + reach,
        unit=ANALYTES[analyte].unit, lab=(70.0, 10.0, 20.0), lab_covariance=None, px=_CORNER,
        outline_px=(_CORNER, _CORNER, _CORNER, _CORNER), budget=())
