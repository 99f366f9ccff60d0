"""Phone models that may be trusted: a check standard was read with one, and passed."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime

from sqlalchemy import select

from stripread.intake.release_gate import pairs_read
from stripread.reading.strangers import judged
from stripread.store.models.evidence import Photograph, StoredCheckResult, StoredReading
from stripread.store.models.materials import Phone, Qualification, StoredChart
from stripread.store.schema import LISTED, RECORD_TYPES
from stripread.store.store import Store


def qualified_models(store: Store, now: datetime) -> frozenset[str]:
    """Models (make and model, as photographs name them) with which a check standard was read that passed.

    Where somebody said what came out for a phone of the model, the latest such word that still holds decides.
    """
    said = _said(store, now)
    return frozenset({model for model in last_passed(store) if model not in said}
                     | {model for model, qualified in said.items() if qualified})


def last_passed(store: Store) -> dict[str, date]:
    """By model: the last day (UTC) whose check standard, read with a phone of it, passed."""
    found: dict[str, date] = {}
    for model, readings in _read_with(store).items():
        day = next((day for reading, day in readings if _passes(store, reading)), None)
        if day is not None:
            found[model] = day
    return found


def _said(store: Store, now: datetime) -> dict[str, bool]:
    """By model: whether the latest word on a phone of it is that it qualified, and still holds."""
    models = {phone.id: phone.model for phone in store.find(Phone)}
    found: dict[str, bool] = {}
    for word in sorted(store.find(Qualification), key=lambda word: word.at):
        holds = word.until is None or now.date() <= word.until
        found[models[word.phone]] = word.outcome == "qualified" and holds
    return found


def _read_with(store: Store) -> dict[str, list[tuple[str, date]]]:
    """By phone model: readings of check standards (ids) with their days, the latest first."""
    checks, photographs, models = (RECORD_TYPES[kind].table for kind in (StoredCheckResult, Photograph, Phone))
    joined = checks.join(LISTED, checks.c.reading == LISTED.c.reading).join(
        photographs, LISTED.c.photograph == photographs.c.id).join(models, photographs.c.phone == models.c.id)
    query = select(models.c.model, LISTED.c.reading, LISTED.c.sampled).select_from(joined).where(
        checks.c.struck.is_(None)).distinct().order_by(LISTED.c.sampled.desc(), LISTED.c.reading)
    found: dict[str, list[tuple[str, date]]] = defaultdict(list)
    with store.viewing() as connection:
        for row in connection.execute(query):
            found[row.model].append((row.reading, datetime.fromisoformat(row.sampled).date()))
    return found


def _passes(store: Store, reading: str) -> bool:
    """Whether the reading of a check standard fails in nothing that is known of it."""
    kept = store.get(StoredReading, reading)
    pairs = list(pairs_read(kept, store.find(StoredCheckResult, reading=reading)))
    chart = store.get(StoredChart, kept.chart).chart
    return bool(pairs) and all(check.verdict != "fail" for check in judged(pairs, chart))
