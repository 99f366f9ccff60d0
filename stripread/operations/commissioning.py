"""Diagnosis and commissioning of an installed unit from stored readings of its feed water and its treated water."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from assess.assessment import Assessment
from assess.diagnosis.commissioning import Commissioning, commission
from assess.diagnosis.upstream import NotCompared, Upstream
from assess.treatment.options import treatment_of
from stripread.intake.pairing import pairing_of
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.latest_results import latest_results
from stripread.monitoring.sites import Scope, load_sites
from stripread.reading.assessment import sample_of
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.sites import NEAREST, SamplingPoint, Site
from stripread.store.reading_status import current_assessment
from stripread.store.store import Store

#: Seed of the draws, so that a sheet can be reproduced.
_SEED: Final = 1984


@dataclass(frozen=True, slots=True)
class UnitCheck:
    """A unit as one reading of its treated water shows it, compared with its feed water.

    ``point``: where the treated water was sampled; ``reading``: id of its reading.
    """

    site: Site
    point: SamplingPoint
    reading: str
    sampled: datetime
    upstream: Upstream
    assessment: Assessment
    commissioning: Commissioning


def check_unit(store: Store, site: str, unit: str | None = None) -> UnitCheck:
    """Return the check of a site's unit on the latest reading of its treated water.

    ``unit``: id of the unit, where a site has several [default: that of the point nearest to a machine]. Raises
    RecordsError where treated water cannot be compared with feed water.
    """
    inventory = load_sites(store, Scope(site=store.get(Site, site).id), store.clock().date())
    points = [p for p in inventory.points.values() if p.place != "mains"
              and (unit is None or (p.id in inventory.upstream and inventory.upstream[p.id].id == unit))]
    latest = latest_results(store, [p.id for p in points])
    waters = [(NEAREST.index(p.place), -w.sampled.timestamp(), w.reading)
              for p in points if (r := latest.get(p.id)) and (w := r.water) is not None]
    if not waters:
        raise RecordsError("there is no assessed treated water", where=f"site {site}", found=unit or "no reading",
                           remedy="test tap and treated water on the same day")
    return check_reading(store, min(waters)[2])


def check_reading(store: Store, reading: str) -> UnitCheck:
    """Return the check of the unit upstream of a reading of treated water. Raises RecordsError as `check_unit`."""
    stored, assessed = store.get(StoredReading, reading), current_assessment(store, reading)
    photograph = store.get(Photograph, stored.photograph)
    upstream = pairing_of(store, photograph, stored.chart)
    if photograph.point is None or assessed is None or not isinstance(upstream, Upstream):
        raise RecordsError("the treated water is not compared with a prediction", where=f"reading {reading}",
                           found=upstream.why if isinstance(upstream, NotCompared) else "no treatment unit upstream",
                           remedy="record the unit with `stripread maintenance record`, and test the tap")
    point = store.get(SamplingPoint, photograph.point)
    unit = treatment_of(upstream.installed.unit, catalogue(own_terms(store))[upstream.installed.unit])
    return UnitCheck(
        site=store.get(Site, point.site), point=point, reading=reading, sampled=photograph.sampled, upstream=upstream,
        assessment=assessed.assessment,
        commissioning=commission(unit, upstream, sample_of(stored.reading), np.random.default_rng(_SEED)))
