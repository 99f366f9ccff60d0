"""Release and withdrawal of a stored chart, with the evidence for the release gate from its check standards."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time

from sqlalchemy import select

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.release import Evidence, Release, gate_checks, gated
from shared.errors import MismatchError
from stripread.intake.materials_import import add_release
from stripread.store.models.evidence import StoredCheckResult, StoredReading
from stripread.store.models.materials import Batch
from stripread.store.schema import BODIES, RECORD_TYPES, decode
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
    made = Release(chart=chart.id, state="released", who=by, when=now, why=why, valid_until=last,
                   evidence=gate_evidence(store, chart))
    add_release(store, by, gated(made, chart))


def withdraw_chart(store: Store, by: str, chart: Chart, why: str) -> None:
    """Store the withdrawal of a chart: later readings on it get the flag chart-withdrawn."""
    add_release(store, by, Release(chart=chart.id, state="withdrawn", who=by, when=store.clock(), why=why))
