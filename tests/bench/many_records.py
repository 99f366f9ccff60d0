"""Stores with many readings, which verify.

Their photographs are purged, so that no files are needed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Final

import msgspec

from assess import Assessment, AssessmentSetup, assess, load_limits, sample_from_typed
from assess.decision import VERDICTS
from assess.equipment import load_equipment
from assess.water_properties import Saturation
from stripread.reading.read import read_photo
from stripread.reading.result import Reading
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import Photograph, Review, StoredAssessment, StoredReading
from stripread.store.models.materials import Batch, StoredChart
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.bench.bulk import BY, fill
from tests.bench.samples import SITES, chart_and_profile

START: Final = datetime(2021, 1, 1, tzinfo=UTC)
GROUPS, SITES_KEPT, POINTS = 10, 500, 1500
#: Waters that suit, that are doubtful, that do not.
_WATERS: Final = ({"hardness": "60 ± 3 mg/L CaCO3", "alkalinity": "45 ± 3 mg/L CaCO3", "ph": "7.2 ± 0.1",
                   "chloride": "10 ± 2 mg/L", "chlorine": "0.01 ± 0.01 mg/L"},
                  {"hardness": "90 ± 20 mg/L CaCO3", "alkalinity": "60 ± 15 mg/L CaCO3", "ph": "7.4 ± 0.3"},
                  {"hardness": "300 ± 9 mg/L CaCO3", "alkalinity": "260 ± 9 mg/L CaCO3", "ph": "7.6 ± 0.1"})


def build(folder: Path, readings: int) -> Store:
    """A store with ``readings`` readings, each with its photograph and assessment, every other one reviewed."""
    folder.mkdir()
    store = open_store(Settings(database=f"sqlite:///{folder / 'records.sqlite'}", photographs=str(folder / "photos")))
    fill(store, _records(readings))
    return store


def _records(readings: int) -> Iterator[Record]:
    """In an order in which each refers to earlier ones only."""
    chart = chart_and_profile()[0]
    yield Account(id=BY, roles=ROLES)
    yield from (SiteGroup(id=f"g{k}", name=f"round {k}") for k in range(GROUPS))
    yield from (Site(id=f"s{k}", name=f"site {k}", group=f"g{k % GROUPS}") for k in range(SITES_KEPT))
    yield from (SamplingPoint(id=f"p{k}", site=f"s{k % SITES_KEPT}", place="mains", name="tap") for k in range(POINTS))
    yield Batch(id=chart.batch, strip=chart.strip.name)
    yield StoredChart(id=chart.id, batch=chart.batch, at=START, chart=chart)
    rng, seen, waters = random.Random(7), _reading(), judged()
    for k in range(readings):
        yield from _one(k, rng, seen, waters)


def _one(k: int, rng: random.Random, seen: Reading, waters: Sequence[Assessment]) -> Iterator[Record]:
    at, id_ = START + timedelta(minutes=26 * k), f"{rng.getrandbits(128):032x}"
    photo = sha256(f"{k}".encode()).hexdigest()
    yield Photograph(id=photo, name=f"{k}.jpg", size=1, received=at, account=BY, point=f"p{rng.randrange(POINTS)}",
                     removed=at)
    flags = ("glare",) if rng.random() < 1e-4 else ("blurred",) if rng.random() < 0.1 else ()
    refused = rng.random() < 0.02
    provenance = msgspec.structs.replace(seen.provenance, photo_sha256=photo)
    reading = msgspec.structs.replace(
        seen, photo=f"{k}.jpg", provenance=provenance, flags=flags, status="no-result" if refused else "measured",
        reason="No card." if refused else "", pads=() if refused else seen.pads)
    yield StoredReading(id=id_, photograph=photo, at=at, account=BY, reading=reading)
    yield StoredAssessment(id=f"a{k}", reading=id_, at=at, account=BY, assessment=rng.choice(waters))
    if k % 2:
        yield Review(id=f"r{k}", reading=id_, decision="rejected" if rng.random() < 1e-3 else "accepted", why="seen",
                     at=at, account=BY)


def _reading() -> Reading:
    """A sample's reading, without outlines and budgets, which no list shows."""
    chart, profile, _ = chart_and_profile()
    read = read_photo(SITES[0], chart, [profile])
    pads = tuple(msgspec.structs.replace(pad, budget=()) for pad in read.pads)
    return msgspec.structs.replace(read, patches=(), pads=pads)


def judged() -> list[Assessment]:
    """The verdicts of three waters: of each the judgement that made it, without curves and trials of treatments."""
    terms = AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units={})
    return [_short(assess(sample_from_typed(water), terms)) for water in _WATERS]


def _short(a: Assessment) -> Assessment:
    worst = max((j for j in a.judgements if j.severity != "information"), key=lambda j: VERDICTS.index(j.verdict))
    return msgspec.structs.replace(
        a, judgements=(worst,), options=(), boilers=(), assumptions=(), questions=(), cautions=(),
        saturation=Saturation(temperatures_c=(), closed=(), open_to_air=()))
