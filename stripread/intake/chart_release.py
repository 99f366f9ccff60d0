"""Release and withdrawal of a stored chart by an account."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from calibration.chart import Chart
from calibration.release import Release, gated
from shared.errors import MismatchError
from stripread.intake.materials_import import add_release
from stripread.intake.release_gate import gate_evidence
from stripread.store.store import Store


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
