"""What may be used: charts released on check standards, phone models and technicians qualified."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time

import msgspec
from sqlalchemy import select

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.release import Evidence, Release, gate_checks, gated
from shared.errors import MismatchError
from stripread.intake.materials_import import add_release
from stripread.reading.calibrate import judge
from stripread.store.accounts import AccountSummary, list_accounts
from stripread.store.models.accounts import Outcome, TechnicianQualification
from stripread.store.models.evidence import Photograph, StoredCheckResult, StoredReading
from stripread.store.models.materials import Batch, Phone, Qualification, StoredChart
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode
from stripread.store.store import Store

#: Readings of the photographs of check standards.
_READINGS = RECORD_TYPES[StoredReading].table.alias("later")


def gate_evidence(store: Store, chart: Chart) -> Evidence:
    """Return the evidence for the release of a chart: check standards read on it, expiry date of its batch.

    For a photograph that was evaluated again, the latest reading on this chart counts.
    """
    batch = next(iter(store.find(Batch, id=chart.batch)), None)
    return Evidence(checks=gate_checks(check_pairs(store, chart)), expires=batch.expires if batch else None)


def check_pairs(store: Store, chart: Chart) -> list[Pair]:
    """Return known and measured values of the check standards read on a chart (`gate_evidence`)."""
    read = _latest_on(store, chart)
    return [pair for check in store.find(StoredCheckResult) if check.reading in read
            for pair in pairs_read(read[check.reading], [check])]


def _latest_on(store: Store, chart: Chart) -> dict[str, StoredReading]:
    """Return the latest reading on the chart of each photograph of a check standard, by the checks' own reading."""
    checks, first, later = RECORD_TYPES[StoredCheckResult].table, RECORD_TYPES[StoredReading].table, _READINGS
    joined = checks.join(first, checks.c.reading == first.c.id).join(
        later, (later.c.photograph == first.c.photograph) & (later.c.chart == chart.id)).join(
        BODIES, later.c.sha256 == BODIES.c.sha256)
    query = select(first.c.id.label("checked"), later.c.at, BODIES.c.body).select_from(joined)
    with store.viewing() as connection:
        rows = connection.execute(query.order_by(later.c.at)).all()
    latest = {row.checked: row.body for row in rows}
    return {checked: decode(StoredReading, body) for checked, body in latest.items()}


def pairs_read(reading: StoredReading, checks: Sequence[StoredCheckResult]) -> Iterator[Pair]:
    """Return pairs of known and measured value of a check standard, for the analytes that have a value."""
    estimates = {e.analyte: e for e in reading.reading.values()}
    for check in checks:
        if check.struck is None and check.analyte in estimates:
            yield Pair(check.standard, known=check.known, u_known=check.u, read=estimates[check.analyte],
                       photo=reading.reading.photo, light=check.light or "")


def release_chart(store: Store, by: str, chart: Chart, why: str, until: date) -> None:
    """Store a release until the end of a day (UTC), on the check standards in the store.

    Raises MismatchError where the chart fails the release gate or the day is past.
    """
    now, last = store.clock(), datetime.combine(until, time(23, 59, 59), UTC)
    if last < now:
        raise MismatchError("the release would end before it begins", where="until", found=str(until),
                            allowed=f"{now:%Y-%m-%d} or later")
    made = Release(chart=chart.id, state="released", by=by, when=now, why=why, valid_until=last,
                   evidence=gate_evidence(store, chart))
    add_release(store, by, gated(made, chart))


def withdraw_chart(store: Store, by: str, chart: Chart, why: str) -> None:
    """Store the withdrawal of a chart: later readings on it get the flag chart-withdrawn."""
    add_release(store, by, Release(chart=chart.id, state="withdrawn", by=by, when=store.clock(), why=why))


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


class TechnicianStatus(msgspec.Struct, frozen=True, kw_only=True):
    """An active technician's account with its latest qualification; ``outcome`` None: none is recorded.

    ``name``: None once it was erased. ``until``: last day of the qualification, None if it is unlimited.
    """

    account: str
    name: str | None
    outcome: Outcome | None = None
    on: date | None = None
    until: date | None = None
    note: str = ""

    def qualified(self, today: date) -> bool:
        """Return whether the qualification is valid on a day."""
        return self.outcome == "qualified" and (self.until is None or today <= self.until)


def technicians(store: Store) -> list[TechnicianStatus]:
    """Return the active accounts with the role technician, by name."""
    return list(_statuses(list_accounts(store), _latest(store)))


def examined_technicians(store: Store) -> list[TechnicianStatus]:
    """Return those of whom a qualification is recorded; other accounts are not loaded."""
    latest = _latest(store)
    return list(_statuses(list_accounts(store, latest), latest))


def _latest(store: Store) -> dict[str, TechnicianQualification]:
    return {q.technician: q for q in sorted(store.find(TechnicianQualification), key=lambda q: q.at)}


def _statuses(accounts: Iterable[AccountSummary],
              latest: Mapping[str, TechnicianQualification]) -> Iterator[TechnicianStatus]:
    for account in accounts:
        if account.active and "technician" in account.roles:
            q = latest.get(account.account)
            status = TechnicianStatus(account=account.account, name=account.name)
            yield status if q is None else msgspec.structs.replace(
                status, outcome=q.outcome, on=q.at.date(), until=q.until, note=q.note)
