"""Invented histories: readings made of numbers instead of photographs, kept as any others are."""

from __future__ import annotations

import atexit
import hashlib
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from math import exp, hypot
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import numpy as np
import pytest

from calibration.chart import Chart
from shared.analytes import ANALYTES
from shared.estimate import Z95, Part, Status
from stripread.reading.result import PadReading, Provenance, Reading
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.materials import Batch, StoredChart
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.settings import ReviewPolicy, Settings
from stripread.store.store import Clock, Store, open_store, utc_now

ACCOUNT = "account-1"
NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


class Value(msgspec.Struct, frozen=True):
    """A pad's value with the standard uncertainties of what differs and of what the chart's readings share."""

    value: float
    u: float = 2.0
    u_chart: float = 1.0
    status: Status = "measured"

    def pad(self, analyte: str) -> PadReading:
        """As the reader would have found it."""
        reach = Z95 * (self.u**2 + self.u_chart**2) ** 0.5
        low, high = max(0.0, self.value - reach), self.value + reach
        corner = (0.0, 0.0)
        return PadReading(
            analyte=analyte, status=self.status, value=self.value, unit=ANALYTES[analyte].unit,
            low=0.0 if self.status == "below" else low, high=high, lab=None, lab_covariance=None, px=corner,
            outline_px=(corner, corner, corner, corner),
            budget=(Part(name="strip repeatability", u=self.u * 0.99**0.5, shared=False),
                    Part(name="pad pixels", u=self.u * 0.1, shared=False),
                    Part(name="chart", u=self.u_chart, shared=True)))


def keep(store: Store, *records: Record, by: str = ACCOUNT) -> None:
    """Put records in one transaction."""
    with store.writing(by) as work:
        for record in records:
            work.put(record, "kept for a test")


@cache
def _migrated() -> Path:
    """An empty database of the current schema: migrated once, copied for each test."""
    folder = TemporaryDirectory(prefix="migrated-")
    atexit.register(folder.cleanup)
    file = Path(folder.name) / "records.sqlite"
    open_store(Settings(database=f"sqlite:///{file}", photographs=str(file.parent / "photographs"))).close()
    return file


def new_store(folder: Path, clock: Clock = utc_now, *, review: ReviewPolicy = ReviewPolicy()) -> Store:  # noqa: B008
    """A store without records in a folder, where the commands of `commands_in` find it."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(_migrated(), folder / "records.sqlite")
    return open_store(settings_in(folder, review), clock)


def settings_in(folder: Path, review: ReviewPolicy = ReviewPolicy()) -> Settings:  # noqa: B008
    """Settings of a store in a folder."""
    return Settings(database=f"sqlite:///{folder / 'records.sqlite'}", photographs=str(folder / "photographs"),
                    review=review)


def commands_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let commands use the store in a folder, which is also the home; no other setting is left."""
    for name in ("SETTINGS", "ACCOUNT"):
        monkeypatch.delenv(f"STRIPREAD_{name}", raising=False)
    settings = settings_in(folder)
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.setenv("STRIPREAD_DATABASE", settings.database)
    monkeypatch.setenv("STRIPREAD_PHOTOGRAPHS", settings.photographs)


def empty_store(folder: Path, *, now: datetime = NOW) -> Store:
    """A store with one account and nothing else."""
    store = new_store(folder, lambda: now)
    keep(store, Account(id=ACCOUNT, roles=("technician",)))
    return store


def with_site(store: Store) -> Store:
    """A group, a site and two sampling points: "tap" and "behind"."""
    keep(store, SiteGroup(id="north", name="North"), Site(id="mill", name="Mill Lane", group="north"),
         SamplingPoint(id="tap", site="mill", place="mains", name="tap"),
         SamplingPoint(id="behind", site="mill", place="after treatment", name="behind the filter"))
    return store


def with_chart(store: Store, chart: Chart, *batches: str) -> dict[str, str]:
    """A chart a batch, alike but for the batch's name; returns their ids by batch."""
    charts = [msgspec.structs.replace(chart, batch=batch) for batch in batches]
    for made in charts:
        keep(store, Batch(id=made.batch, strip="four pads"),
             StoredChart(id=made.id, batch=made.batch, at=NOW, chart=made))
    return {made.batch: made.id for made in charts}


def reading_of(photograph: Photograph, values: Mapping[str, Value], *, chart: str) -> StoredReading:
    """A reading of a photograph that gives these values."""
    return StoredReading(
        id=f"reading of {photograph.name}", photograph=photograph.id, at=photograph.received, account=ACCOUNT,
        reading=Reading(photo=photograph.name, status="measured" if values else "no-result",
                        reason="" if values else "No card.", flags=(),
                        pads=tuple(value.pad(analyte) for analyte, value in values.items()),
                        provenance=Provenance(software="test", photo_sha256=photograph.id, pixels_sha256="",
                                              chart=chart, batch=photograph.batch or "", profile="")))


def photograph_of(name: str, at: datetime, *, point: str | None, batch: str | None,
                  dipped: datetime | None = None) -> Photograph:
    """A photograph of a strip dipped then, if not stated otherwise when it was received."""
    return Photograph(id=hashlib.sha256(name.encode()).hexdigest(), name=name, size=len(name), received=at,
                      account=ACCOUNT, dipped=dipped or at, point=point, batch=batch)


class Filter(msgspec.Struct, frozen=True):
    """An invented filter: what passes rises from ``base`` to the mains, half of it after ``half_days``."""

    base: float = 30.0
    half_days: float = 180.0
    steepness: float = 10.0

    def passed(self, days: float, mains: float) -> float:
        """Level downstream of it, days after it was renewed."""
        return self.base + (mains - self.base) / (1.0 + exp(self.steepness * (1.0 - days / self.half_days)))


def read_value(true: float, rng: np.random.Generator, chart_error: float = 0.0) -> Value:
    """A value with the usual uncertainty of a strip: 2 mg/L and 4 % its own, 2 % the chart's."""
    u = hypot(2.0, 0.04 * true)
    value = max(0.1, float(true + u * rng.standard_normal() + 0.02 * true * chart_error))
    return Value(value, u=hypot(2.0, 0.04 * value), u_chart=0.02 * value)
