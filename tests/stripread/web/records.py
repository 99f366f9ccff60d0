"""Invented records for the pages: two groups, three sites, readings with and without a result, names of every sort."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import msgspec

from assess.equipment import DEFAULT_EQUIPMENT, load_equipment
from calibration.chart import Chart
from stripread.intake.terms import assess_on
from stripread.reading.assessment import sample_of
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.models.materials import OWN, Batch, OwnTerms, StoredChart
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.store import Store
from tests.stripread.store.histories import Value, photograph_of, reading_of

#: What a browser must show as text.
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}"
#: A name without a place to break it.
LONG = "Straßenbahnhaltestellenrestaurantbetriebe" + "-" + "Zweigstelle"
SOFT = {"hardness": Value(62.0), "alkalinity": Value(45.0), "ph": Value(7.4, 0.05, 0.02), "chloride": Value(12.0),
        "chlorine": Value(0.05, 0.02, 0.01)}
HARD = {**SOFT, "hardness": Value(320.0, 6.0, 4.0), "alkalinity": Value(230.0, 5.0, 3.0)}
SITES = {"quay": ("The Quay", "north"), "hostile": (HOSTILE, "south"), "long": (LONG, "south")}


def fill(store: Store, account: str, chart: Chart) -> dict[str, str]:
    """Put the records; return the id of the last reading of each site."""
    ours, last = msgspec.structs.replace(chart, batch="A"), {}
    with store.writing(account) as work:
        for group in ("north", "south"):
            work.put(SiteGroup(id=group, name=group.title()), "made")
        for record in (Batch(id="A", strip="five pads"), StoredChart(id=ours.id, batch="A", at=work.now, chart=ours)):
            work.put(record, "made")
        for id_, (name, group) in SITES.items():
            work.put(Site(id=id_, name=name, group=group), "made")
            work.put(SamplingPoint(id=f"{id_}-tap", site=id_, place="mains", name=f"tap {name}"[:120]), "made")
    material = Material(store, account, ours)
    for n, id_ in enumerate(SITES):
        for k, values in enumerate((SOFT, {}, HARD if id_ == "quay" else SOFT)):
            last[id_] = put_reading(material, f"{id_} {k}", f"{id_}-tap", values, days_ago=60 - 10 * k - n)
    return last


@dataclass(frozen=True, slots=True)
class Material:
    """What invented readings are made of."""

    store: Store
    account: str
    chart: Chart


def put_reading(on: Material, name: str, point: str, values: dict[str, Value], *, days_ago: float) -> str:
    """Put a reading with its assessment, without the bytes of its photograph; return its id."""
    at, account = on.store.clock() - timedelta(days=days_ago), on.account
    photograph = msgspec.structs.replace(photograph_of(name, at, point=point, batch="A"), account=account)
    kept: StoredReading = msgspec.structs.replace(reading_of(photograph, values, chart=on.chart.id), account=account,
                                                  id=name.replace(" ", "-"))
    with on.store.writing(account) as work:
        work.put(photograph, "received")
        work.put(kept, "read")
        if values:
            assessment = assess_on(OwnTerms(id=OWN), sample_of(kept.reading), load_equipment(DEFAULT_EQUIPMENT))
            work.put(StoredAssessment(id=f"of {kept.id}", reading=kept.id, at=at, account=account,
                                      assessment=assessment), "assessed")
    return kept.id
