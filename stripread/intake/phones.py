"""Qualified phone models: a check standard read with the model has passed."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime

from sqlalchemy import select

from stripread.intake.release_gate import pairs_read
from stripread.reading.check_samples import judge
from stripread.store.models.evidence import Photograph, StoredCheckResult, StoredReading
from stripread.store.models.materials import Phone, Qualification, StoredChart
from stripread.store.schema import READING_INDEX, RECORD_TYPES
from stripread.store.store import Store


def qualified_models(store: Store, now: datetime) -> frozenset[str]:
    """Return the qualified models (make and model as in EXIF): a check standard read with the model has passed.

    A recorded qualification of a phone of the model takes precedence; the latest one applies.
    """
    recorded = _recorded(store, now)
    return frozenset({model for model in last_passed(store) if model not in recorded}
                     | {model for model, qualified in recorded.items() if qualified})


def last_passed(store: Store) -> dict[str, date]:
    """Return the last day (UTC) on which a check standard read with a phone of the model passed, by model."""
    found: dict[str, date] = {}
    for model, readings in _read_with(store).items():
        day = next((day for reading, day in readings if _passes(store, reading)), None)
        if day is not None:
            found[model] = day
    return found


def _recorded(store: Store, now: datetime) -> dict[str, bool]:
    """Return whether the latest recorded qualification is positive and still valid, by model."""
    models = {phone.id: phone.model for phone in store.find(Phone)}
    found: dict[str, bool] = {}
    for qualification in sorted(store.find(Qualification), key=lambda qualification: qualification.at):
        valid = qualification.until is None or now.date() <= qualification.until
        found[models[qualification.phone]] = qualification.outcome == "qualified" and valid
    return found


def _read_with(store: Store) -> dict[str, list[tuple[str, date]]]:
    """Return ids and days of the readings of check standards by phone model, latest first."""
    checks, photographs, models = (RECORD_TYPES[kind].table for kind in (StoredCheckResult, Photograph, Phone))
    joined = checks.join(READING_INDEX, checks.c.reading == READING_INDEX.c.reading).join(
        photographs, READING_INDEX.c.photograph == photographs.c.id).join(models, photographs.c.phone == models.c.id)
    query = select(models.c.model, READING_INDEX.c.reading, READING_INDEX.c.sampled).select_from(joined).where(
        checks.c.struck.is_(None)).distinct().order_by(READING_INDEX.c.sampled.desc(), READING_INDEX.c.reading)
    found: dict[str, list[tuple[str, date]]] = defaultdict(list)
    with store.viewing() as connection:
        for row in connection.execute(query):
            found[row.model].append((row.reading, datetime.fromisoformat(row.sampled).date()))
    return found


def _passes(store: Store, reading: str) -> bool:
    """Return whether a reading of a check standard passes for all known values."""
    stored = store.get(StoredReading, reading)
    pairs = list(pairs_read(stored, store.find(StoredCheckResult, reading=reading)))
    chart = store.get(StoredChart, stored.chart).chart
    return bool(pairs) and all(check.verdict != "fail" for check in judge(pairs, chart))
