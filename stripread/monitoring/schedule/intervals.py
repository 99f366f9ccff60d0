"""Due items, and the intervals that set their dates: from one file, which a company may replace."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Final, Literal
from uuid import NAMESPACE_URL, uuid5

import msgspec

from shared.files import read_toml
from stripread.store.models.record import Days
from stripread.store.models.sites import Place

Kind = Literal["water", "test", "treatment", "batch", "tube", "check standard", "phone", "card", "technician"]


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
