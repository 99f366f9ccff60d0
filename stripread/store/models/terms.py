"""What a company judges waters against instead of what comes with the program: its limits and treatment units."""

from __future__ import annotations

from typing import Final

from assess.limits import LimitSet
from assess.treatment.unit import TreatmentUnit
from stripread.store.models.record import Record

#: The id of the only record of this kind; the audit trail leads to its earlier contents.
OWN: Final = "own"


class OwnTerms(Record, frozen=True, kw_only=True):
    """``limits``: None for the default set. ``units``: by catalogue id, in addition to the shipped catalogue."""

    limits: LimitSet | None = None
    units: dict[str, TreatmentUnit] = {}  # noqa: RUF012 - msgspec copies an empty default
