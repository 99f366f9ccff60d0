"""A company's own limits and treatment units, used in addition to or instead of the shipped ones."""

from __future__ import annotations

from typing import Final

from assess.limits import LimitSet
from assess.treatment.unit import TreatmentUnit
from stripread.store.models.record import Record

#: Id of the only record of this type; earlier contents are found through the audit trail.
OWN: Final = "own"


class OwnTerms(Record, frozen=True, kw_only=True):
    """``limits``: None for the default set. ``units``: by catalogue id, in addition to the shipped catalogue."""

    limits: LimitSet | None = None
    units: dict[str, TreatmentUnit] = {}  # noqa: RUF012 - msgspec copies an empty default
