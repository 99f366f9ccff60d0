"""What a reading is made with: strip batches, charts and their releases, print runs, cards, phones."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal

from calibration.chart import Chart
from calibration.gate import Evidence
from calibration.release import Release
from stripread.store.models.record import Days, Id, Line, Moment, Record, Sha256


class Batch(Record, frozen=True, kw_only=True):
    """A batch of strips, its id as on the label; a tube of it, once open, keeps ``keeps_days``."""

    strip: Line
    expires: date | None = None
    keeps_days: Days | None = None
    note: str = ""


class Tube(Record, frozen=True, kw_only=True):
    """One tube of a batch, its id as on its label; ``finished``: empty, or thrown away."""

    batch: Id
    opened: date | None = None
    finished: date | None = None

    def last_day(self, batch: Batch) -> date | None:
        """The last day its strips may be used, or None where nothing is stated."""
        ends = [batch.expires] if batch.expires else []
        if self.opened and batch.keeps_days:
            ends.append(self.opened + timedelta(days=batch.keeps_days))
        return min(ends, default=None)


class StoredChart(Record, frozen=True, kw_only=True):
    """A chart under the hash of its content."""

    batch: Id
    at: Moment
    chart: Chart

    def __post_init__(self) -> None:
        if self.id != self.chart.id or self.batch != self.chart.batch:
            raise ValueError(f"the chart's own id is {self.chart.id}, its batch {self.chart.batch!r}")


class StoredRelease(Record, frozen=True, kw_only=True):
    """A statement on a chart by an account, so that it names no person; fields as those of `Release`."""

    chart: Sha256
    state: Literal["draft", "released", "withdrawn"]
    account: Id
    at: Moment
    why: str
    valid_from: Moment | None = None
    valid_until: Moment | None = None
    evidence: Evidence = Evidence()
    despite: str = ""

    def __post_init__(self) -> None:
        self.release()

    def release(self) -> Release:
        """The same as the statement that a file would hold. Raises ValueError where it is no sound one."""
        return Release(chart=self.chart, state=self.state, who=self.account, when=self.at, why=self.why,
                       valid_from=self.valid_from, valid_until=self.valid_until, evidence=self.evidence,
                       despite=self.despite)


class PrintRun(Record, frozen=True, kw_only=True):
    """The measured colours of a print run: id the profile's, ``text`` the CGATS.17 file as it was.

    A run measured again has a second one; the latest ``at`` holds.
    """

    run: int
    at: Moment
    text: str


class Card(Record, frozen=True, kw_only=True):
    """A single card of a print run; colours fade, so its age counts from ``first_used``."""

    run: int
    first_used: date | None = None
    retired: date | None = None


class Phone(Record, frozen=True, kw_only=True):
    """A phone that takes photographs, and who carries it; ``model`` as its photographs name it (make and model)."""

    model: Line
    account: Id | None = None
    retired: date | None = None


class Qualification(Record, frozen=True, kw_only=True):
    """What came out when a phone read check standards (``readings``); of several, the latest holds."""

    phone: Id
    outcome: Literal["qualified", "not qualified"]
    at: Moment
    account: Id
    until: date | None = None
    readings: tuple[Id, ...] = ()
    note: str = ""
