"""Phone models that may be trusted: a check standard was read with one, and passed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime

from sqlalchemy import select

from calibration.checks import Pair
from stripread.reading.strangers import judged
from stripread.records.kinds.evidence import CheckResult, Photograph, StoredReading
from stripread.records.kinds.materials import Phone, Qualification, StoredChart
from stripread.records.schema import KINDS
from stripread.records.store import Store


def phones(store: Store, now: datetime) -> frozenset[str]:
    """Models (make and model, as photographs name them) with which a check standard was read that passed.

    Where somebody said what came out for a phone of the model, the latest such word that still holds decides.
    """
    said = _said(store, now)
    passed = {model for model, readings in _read_with(store).items()
              if said.get(model) is None and any(_passes(store, reading) for reading in readings)}
    return frozenset(passed | {model for model, qualified in said.items() if qualified})


def _said(store: Store, now: datetime) -> dict[str, bool]:
    """By model: whether the latest word on a phone of it is that it qualified, and still holds."""
    models = {phone.id: phone.model for phone in store.find(Phone)}
    found: dict[str, bool] = {}
    for word in sorted(store.find(Qualification), key=lambda word: word.at):
        holds = word.until is None or now.date() <= word.until
        found[models[word.phone]] = word.outcome == "qualified" and holds
    return found


def _read_with(store: Store) -> dict[str, list[str]]:
    """By phone model: ids of the readings of check standards, the latest first."""
    checks, readings, photographs, models = (KINDS[kind].table for kind in (
        CheckResult, StoredReading, Photograph, Phone))
    joined = checks.join(readings, checks.c.reading == readings.c.id).join(
        photographs, readings.c.photograph == photographs.c.id).join(models, photographs.c.phone == models.c.id)
    query = select(models.c.model, readings.c.id, readings.c.at).select_from(joined).where(checks.c.struck.is_(None))
    found: dict[str, list[str]] = defaultdict(list)
    with store.viewing() as connection:
        for row in connection.execute(query.distinct().order_by(readings.c.at.desc(), readings.c.id)):
            found[row.model].append(row.id)
    return found


def _passes(store: Store, reading: str) -> bool:
    """Whether the reading of a check standard fails in nothing that is known of it."""
    kept = store.get(StoredReading, reading)
    pairs = list(_pairs(kept, store.find(CheckResult, reading=reading)))
    chart = store.get(StoredChart, kept.chart).chart
    return bool(pairs) and all(check.verdict != "fail" for check in judged(pairs, chart))


def _pairs(kept: StoredReading, checks: Sequence[CheckResult]) -> Iterator[Pair]:
    estimates = {e.analyte: e for e in kept.reading.values()}
    for check in checks:
        if check.struck is None and check.analyte in estimates:
            yield Pair(check.standard, known=check.known, u_known=check.u, read=estimates[check.analyte])
