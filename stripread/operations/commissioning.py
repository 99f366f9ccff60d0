"""Commissioning of an installed unit from stored results of its feed water and treated water, and how far it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

import numpy as np

from assess.assessment import Assessment
from assess.diagnosis.commissioning import Commissioning, advised, commission
from assess.diagnosis.result import NotCompared, Upstream
from assess.inputs.sample import Sample
from assess.treatment.options import treatment_of
from stripread.intake.laboratory_samples import laboratory_samples
from stripread.intake.pairing import pairing_at, pairing_of
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.latest_results import latest_results
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.monitoring.valid_readings import ValidReading, latest
from stripread.reading.assessment import sample_of
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, SampleAssessment, StoredReading
from stripread.store.models.sites import NEAREST, Job, SamplingPoint, Service, Site, Unit
from stripread.store.reading_status import current_assessment
from stripread.store.store import Store

#: Seed of the draws, so that a sheet can be reproduced.
_SEED: Final = 1984


@dataclass(frozen=True, slots=True)
class UnitCheck:
    """A unit as one sample of its treated water shows it, compared with its feed water.

    ``point``: where the treated water was sampled.
    """

    site: Site
    point: SamplingPoint
    sampled: datetime
    upstream: Upstream
    assessment: Assessment
    commissioning: Commissioning

    @property
    def feed_sampled(self) -> datetime:
        """Time at which the feed water was sampled."""
        return self.sampled - timedelta(days=self.upstream.feed_days)


def check_unit(store: Store, site: str, unit: str | None = None) -> UnitCheck:
    """Return the check of a site's unit on the latest reading, laboratory or typed sample of its treated water.

    ``unit``: id of the unit, where a site has several [default: that of the point nearest to a machine]. Raises
    RecordsError where treated water cannot be compared with feed water.
    """
    inventory = load_sites(store, Scope(site=store.get(Site, site).id), store.clock().date())
    points = [p for p in inventory.points.values() if p.place != "mains"
              and (unit is None or (p.id in inventory.upstream and inventory.upstream[p.id].id == unit))]
    latest = latest_results(store, [p.id for p in points])
    waters = [(p, w) for p in points if (r := latest.get(p.id)) and (w := r.water) is not None]
    if not waters:
        raise RecordsError("there is no assessed treated water", where=f"site {site}", found=unit or "no result",
                           remedy="test tap and treated water on the same day")
    point, water = min(waters, key=lambda of: (NEAREST.index(of[0].place), -of[1].sampled.timestamp()))
    return check_reading(store, water.reading) if water.reading else _check_sample(store, point, water.assessment)


def _check_sample(store: Store, point: SamplingPoint, assessment: str) -> UnitCheck:
    """As `check_reading`, for laboratory or typed results."""
    stored = store.get(SampleAssessment, assessment)
    used = set(stored.results)
    sample = next(s.sample for s in laboratory_samples(store, [point.id]) if not used.isdisjoint(s.results))
    return _check(store, point, sample, (stored.taken, stored.assessment), pairing_at(store, point, stored.taken, None))


def check_reading(store: Store, reading: str) -> UnitCheck:
    """Return the check of the unit upstream of a reading of treated water. Raises RecordsError as `check_unit`."""
    stored, assessed = store.get(StoredReading, reading), current_assessment(store, reading)
    photograph = store.get(Photograph, stored.photograph)
    if photograph.point is None or assessed is None:
        raise _not_compared(f"reading {reading}", None)
    return _check(store, store.get(SamplingPoint, photograph.point), sample_of(stored.reading),
                  (photograph.sampled, assessed.assessment), pairing_of(store, photograph, stored.chart))


def _check(store: Store, point: SamplingPoint, treated: Sample, assessed: tuple[datetime, Assessment],
           upstream: Upstream | NotCompared | None) -> UnitCheck:
    """Return the check on a treated sample, which was ``assessed`` as of a time."""
    if not isinstance(upstream, Upstream):
        raise _not_compared(f"point {point.id}", upstream)
    unit = treatment_of(upstream.installed.unit, catalogue(own_terms(store))[upstream.installed.unit])
    return UnitCheck(
        site=store.get(Site, point.site), point=point, sampled=assessed[0], upstream=upstream, assessment=assessed[1],
        commissioning=advised(commission(unit, upstream, treated, np.random.default_rng(_SEED)),
                              assessed[1].diagnosis))


def _not_compared(where: str, upstream: NotCompared | None) -> RecordsError:
    if upstream is not None:
        return RecordsError(upstream.why.removesuffix("."), where=where)
    return RecordsError("no prediction for the treated water", where=where,
                        found="no treatment unit upstream",
                        remedy="record the unit with `stripread maintenance record`, and test the tap")


#: Work with which a commissioning begins; an earlier one than of this time is another commissioning.
_BEGINS: Final[tuple[Job, ...]] = ("installed", "cartridge changed", "setting changed", "inspected")
_LASTS: Final = timedelta(hours=24)
#: What is to be done next.
Step = Literal["set", "tap", "outlet", "result"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CommissioningProgress:
    """A unit with the sampling points of its feed water and of its treated water, None where there is none.

    ``turned``: work with which this commissioning began. ``last_tap`` and ``last_outlet``: latest readings of both
    waters. ``setting``: the one on file, as a share.
    """

    unit: Unit
    site: Site
    feed: SamplingPoint | None
    treated: SamplingPoint | None
    setting: float | None
    turned: Service | None
    last_tap: ValidReading | None
    last_outlet: ValidReading | None

    @property
    def tap(self) -> ValidReading | None:
        """The reading of the feed water that belongs to this commissioning."""
        tap = self.last_tap
        return tap if tap and self.turned and tap.at > self.turned.at - _LASTS else None

    @property
    def outlet(self) -> ValidReading | None:
        """The reading of the treated water that belongs to this commissioning."""
        outlet = self.last_outlet
        return outlet if outlet and self.turned and outlet.at > self.turned.at else None

    @property
    def too_old(self) -> ValidReading | None:
        """The latest reading of the water that is to be photographed next, which was sampled too early to count."""
        return self.last_tap if self.step == "tap" else self.last_outlet if self.step == "outlet" else None

    @property
    def step(self) -> Step:
        """What is to be done next."""
        if self.turned is None:
            return "set"
        if self.tap is None:
            return "tap"
        return "outlet" if self.outlet is None else "result"


def commissioning_progress(store: Store, unit: Unit) -> CommissioningProgress:
    """Return how far the commissioning of a unit is. The tap may be photographed before the unit is set."""
    now = store.clock()
    inventory = load_sites(store, Scope(site=unit.site), now.date())
    feed, treated = inventory.mains.get(unit.site), _outlet(inventory, unit)
    done = inventory.services.get(unit.id, [])
    turned = next((s for s in reversed(done) if s.job in _BEGINS and now - s.at <= _LASTS), None)
    read = {r.point: r for r in latest(store, [p for p in (feed, treated) if p], 1)}
    return CommissioningProgress(
        unit=unit, site=store.get(Site, unit.site), feed=inventory.points[feed] if feed else None,
        treated=inventory.points[treated] if treated else None, turned=turned,
        setting=next((s.setting for s in reversed(done) if s.setting is not None), None),
        last_tap=read.get(feed or ""), last_outlet=read.get(treated or ""))


def _outlet(inventory: SiteInventory, unit: Unit) -> str | None:
    """Return the sampling point of a unit's treated water; the nearest to the unit, not to the machine."""
    there = [inventory.points[p] for p in inventory.downstream.get(unit.id, ())]
    return max(there, key=lambda p: (NEAREST.index(p.place), p.id)).id if there else None
