"""How often things are due: one file, which a firm may replace by its own."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Final, Literal
from uuid import NAMESPACE_URL, uuid5

import msgspec

from shared.toml import read_toml
from stripread.store.models.record import Days
from stripread.store.models.sites import Place

Kind = Literal["test", "treatment", "batch", "tube", "check standard", "phone", "card"]


class DueItem(msgspec.Struct, frozen=True, kw_only=True):
    """``what`` is to be done on the day ``on`` or before, and ``why``; ``subject``: id of what it is about.

    ``site`` and ``site_name`` empty: it belongs to no site.
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
        """The same for this thing each time it is told, whenever it then is due."""
        return str(uuid5(NAMESPACE_URL, f"urn:stripread:due:{self.kind}:{self.subject}"))

    @property
    def sentence(self) -> str:
        """What and where, in a line."""
        return f"{self.site_name}: {self.what}" if self.site_name else self.what


#: Those that come with the program.
SHIPPED: Final = Path(__file__).parent / "data" / "intervals.toml"


class TestIntervals(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Days between tests, by where the water is taken."""

    mains: Days
    after_treatment: Days
    at_the_machine: Days

    def of(self, place: Place) -> int:
        """Days between tests at a place."""
        return int(getattr(self, place.replace(" ", "_")))


class MaterialIntervals(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Days that what a reading is made with holds."""

    check_standard: Days
    phone: Days
    card: Days
    in_use: Days


class ScheduleIntervals(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All of them, in days."""

    test: TestIntervals
    material: MaterialIntervals


def load_intervals(path: Path | None = None) -> ScheduleIntervals:
    """Those of a file, else those that ship. Raises FileError naming what is wrong in the file."""
    return read_toml(path or SHIPPED, ScheduleIntervals)
