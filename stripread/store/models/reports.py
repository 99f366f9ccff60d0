"""Reports that went out, so that an amended one can name what changed and point to the one before it."""

from __future__ import annotations

import msgspec

from stripread.store.models.record import Id, Moment, Record


class StatedFact(msgspec.Struct, frozen=True, array_like=True):
    """One statement of a report: what it is about, and the words that were printed."""

    name: str
    words: str


class IssuedReport(Record, frozen=True, kw_only=True):
    """A report on one reading, id as printed on every page; ``amends`` the earlier one in whose place it stands.

    ``facts``: all that another edition might say otherwise (ISO/IEC 17025:2017, 7.8.8).
    """

    reading: Id
    at: Moment
    account: Id
    facts: tuple[StatedFact, ...]
    amends: Id | None = None
    why: str = ""
