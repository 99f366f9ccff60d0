"""Due items, the intervals that set their dates, and the dates at sampling points: tests, and changes of units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Final, Literal
from uuid import NAMESPACE_URL, uuid5

import msgspec

from shared.files import read_toml
from stripread.monitoring.latest_results import LatestResult
from stripread.monitoring.sites import SiteInventory
from stripread.monitoring.trend.unit_ends import End
from stripread.store.models.record import Days
from stripread.store.models.sites import Place, SamplingPoint, Unit

Kind = Literal["water", "test", "treatment", "installation", "batch", "tube", "check standard", "phone", "card",
               "technician"]


class DueItem(msgspec.Struct, frozen=True, kw_only=True):
    """A task (``what``) due on the day ``on``, and ``why``; ``subject``: id of the record it concerns.

    ``site`` and ``site_name`` are empty if it belongs to no site.
    """

    on: date
    kind: Kind
    subject: str
    what: str
    why: str
    site: str = ""
    site_name: str = ""

    @property
    def uid(self) -> str:
        """Identifier of the task in calendars; it does not depend on the due date."""
        return str(uuid5(NAMESPACE_URL, f"urn:stripread:due:{self.kind}:{self.subject}"))

    @property
    def rank(self) -> tuple[bool, date, str, str]:
        """Sort key of the items of a site: what the water requires first, then by date."""
        return self.kind != "water", self.on, self.kind, self.subject

    @property
    def sentence(self) -> str:
        """Site and task on one line."""
        return f"{self.site_name}: {self.what}" if self.site_name else self.what


#: The intervals shipped with the program.
SHIPPED: Final = Path(__file__).parent / "data" / "intervals.toml"


class TestIntervals(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Days between tests, by the place of the sampling point."""

    mains: Days
    after_treatment: Days
    at_the_machine: Days

    def of(self, place: Place) -> int:
        """Return the days between tests at a place."""
        return int(getattr(self, place.replace(" ", "_")))


class MaterialIntervals(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Days for which check standards, phones and cards are valid, and for which a batch counts as in use."""

    check_standard: Days
    phone: Days
    card: Days
    in_use: Days


class ScheduleIntervals(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All intervals, in days."""

    test: TestIntervals
    material: MaterialIntervals


def load_intervals(path: Path | None = None) -> ScheduleIntervals:
    """Return the intervals in a file, or the shipped ones. Raises FileError if the file is invalid."""
    return read_toml(path or SHIPPED, ScheduleIntervals)


def changes_due(inventory: SiteInventory, ends: Mapping[str, Sequence[End]], today: date) -> Iterator[DueItem]:
    """Return the next change of each installed unit; of one without a recorded installation, that it be recorded.

    ``ends``: dates of each installed unit, earliest first.
    """
    for unit in (inventory.units[id_] for id_ in ends):
        end, site = next(iter(ends[unit.id]), None), inventory.sites[unit.site]
        if end is not None:
            yield DueItem(on=end.on, kind="treatment", subject=unit.id, what=_change(unit), why=end.why,
                          site=site.id, site_name=site.name)
        elif inventory.renewed(unit.id) is None:
            yield DueItem(on=today, kind="installation", subject=unit.id, site=site.id, site_name=site.name,
                          what=f"record when {unit.unit.name} was installed",
                          why="its installation date is unknown; record it with `stripread maintenance record`")


def _change(unit: Unit) -> str:
    """Return the task as diagnosis and recorded work call it; what an osmosis unit wears out is its membrane."""
    part = "membrane" if "osmosis" in unit.unit.kind else "cartridge"
    return f"change the {part} ({unit.unit.name})"


def tests_due(
    inventory: SiteInventory, last: Mapping[str, LatestResult], intervals: ScheduleIntervals, today: date
) -> Iterator[DueItem]:
    """Return the next test of each sampling point; the latest plan for the point can only make it earlier.

    A point without readings is due today.
    """
    for point in inventory.points.values():
        there = last.get(point.id)
        days, why = _next(point, there, intervals)
        on = today if there is None else there.read + timedelta(days=days)
        yield DueItem(on=on, kind="test", subject=point.id, what=f"test {point.name} ({point.place})", why=why,
                  site=point.site, site_name=inventory.sites[point.site].name)


def _next(point: SamplingPoint, there: LatestResult | None, intervals: ScheduleIntervals) -> tuple[int, str]:
    """Return the days from the last reading to the next, and the reason."""
    days = point.every_days or intervals.test.of(point.place)
    if there is None:
        return days, "never tested"
    if there.test_in_days is not None and there.test_in_days < days:
        return (
            there.test_in_days,
            f"last tested on {there.read}; that result requires a test after {there.test_in_days} days",
        )
    return days, f"last tested on {there.read}; every {days} days"
