"""What the records have for the release gate of a chart: its check standards and its batch's expiry date."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.gate import Evidence, gate_checks
from stripread.store.models.evidence import StoredCheckResult, StoredReading
from stripread.store.models.materials import Batch
from stripread.store.store import Store


def gate_evidence(store: Store, chart: Chart) -> Evidence:
    """What the store has for the release of a chart: check standards as read on it, and its batch's expiry date.

    What is known of a solution belongs to its photograph: a photograph that was evaluated again counts with the
    latest reading on this chart.
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


def pairs_read(kept: StoredReading, checks: Sequence[StoredCheckResult]) -> Iterator[Pair]:
    """What is known of a check standard with what a reading found, where it found a value."""
    estimates = {e.analyte: e for e in kept.reading.values()}
    for check in checks:
        if check.struck is None and check.analyte in estimates:
            yield Pair(check.standard, known=check.known, u_known=check.u, read=estimates[check.analyte],
                       photo=kept.reading.photo, light=check.light or "")
