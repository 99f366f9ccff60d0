"""Evidence for the release gate of a chart: its check standards, and the expiry date of its batch."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.gate import Evidence, gate_checks
from stripread.store.models.evidence import StoredCheckResult, StoredReading
from stripread.store.models.materials import Batch
from stripread.store.store import Store


def gate_evidence(store: Store, chart: Chart) -> Evidence:
    """Return the evidence for the release of a chart: check standards read on it, expiry date of its batch.

    For a photograph that was evaluated again, the latest reading on this chart counts.
    """
    pairs: list[Pair] = []
    for check in store.find(StoredCheckResult):
        reading = _latest_on(store, chart, check)
        pairs += () if reading is None else pairs_read(reading, [check])
    batch = next(iter(store.find(Batch, id=chart.batch)), None)
    return Evidence(checks=gate_checks(pairs), expires=batch.expires if batch else None)


def _latest_on(store: Store, chart: Chart, check: StoredCheckResult) -> StoredReading | None:
    """Return the latest reading on the chart of the photograph that shows the check standard."""
    if check.reading is None:
        return None
    photograph = store.get(StoredReading, check.reading).photograph
    return max(store.find(StoredReading, photograph=photograph, chart=chart.id), key=lambda r: r.at, default=None)


def pairs_read(reading: StoredReading, checks: Sequence[StoredCheckResult]) -> Iterator[Pair]:
    """Return pairs of known and measured value of a check standard, for the analytes that have a value."""
    estimates = {e.analyte: e for e in reading.reading.values()}
    for check in checks:
        if check.struck is None and check.analyte in estimates:
            yield Pair(check.standard, known=check.known, u_known=check.u, read=estimates[check.analyte],
                       photo=reading.reading.photo, light=check.light or "")
