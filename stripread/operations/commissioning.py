"""Diagnosis and commissioning of the unit at a site from its latest stored readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assess.assessment import Assessment
from assess.diagnosis.commissioning import Commissioning, commission
from assess.diagnosis.upstream import NotCompared, Upstream
from assess.treatment.options import treatment_of
from stripread.intake.pairing import pairing_of
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.status import WaterStatus, status_of
from stripread.reading.assessment import sample_of
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.sites import Site
from stripread.store.store import Store

#: Seed of the draws, so that a sheet can be reproduced.
_SEED = 1984


@dataclass(frozen=True, slots=True)
class UnitCheck:
    """The unit at a site as its latest treated water shows it, compared with its feed water."""

    site: Site
    water: WaterStatus
    upstream: Upstream
    assessment: Assessment
    commissioning: Commissioning


def check_unit(store: Store, intervals: ScheduleIntervals, site: str) -> UnitCheck:
    """Return the check of a site's unit. Raises RecordsError where treated water cannot be compared with feed water."""
    water = status_of(store, intervals, site).water
    if water is None or water.place == "mains":
        raise RecordsError("the site has no assessed treated water", where=f"site {site}",
                           remedy="test tap and treated water on the same day")
    reading = store.get(StoredReading, water.reading)
    upstream = pairing_of(store, store.get(Photograph, reading.photograph), reading.chart)
    if not isinstance(upstream, Upstream):
        raise RecordsError("the treated water is not compared with a prediction", where=f"site {site}",
                           found=upstream.why if isinstance(upstream, NotCompared) else "no treatment unit",
                           remedy="record the unit with `stripread maintenance record`, and test the tap")
    unit = treatment_of(upstream.installed.unit, catalogue(own_terms(store))[upstream.installed.unit])
    return UnitCheck(
        site=store.get(Site, site), water=water, upstream=upstream,
        assessment=store.get(StoredAssessment, water.assessment).assessment,
        commissioning=commission(unit, upstream, sample_of(reading.reading), np.random.default_rng(_SEED)))
