"""The store's own limits and treatment units: registered from TOML and used by every reading.

An assessment is never changed. Changed terms lead to a re-assessment, which adds a later one: that is then current,
and both are retained.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import msgspec

from assess.assessment import Assessment
from assess.diagnosis.upstream import NotCompared, Upstream
from assess.equipment import Equipment
from assess.limits import DEFAULT_SET, load_limits
from assess.treatment.unit import TreatmentUnit, load_units
from shared.errors import FileError
from shared.files import read_toml
from stripread.reading.assessment import assess
from stripread.reading.result import Reading
from stripread.store.models.materials import OWN, OwnTerms
from stripread.store.store import Store
from stripread.store.transaction import Transaction

SUFFIX: Final = ".toml"


class _FileContent(msgspec.Struct, frozen=True):
    """What a TOML file contains."""

    limit: list[object] | None = None
    units: dict[str, object] | None = None


def own_terms(store: Store) -> OwnTerms:
    """Return the registered terms; without any, terms without limits and units."""
    return next(iter(store.find(OwnTerms, id=OWN)), OwnTerms(id=OWN))


def catalogue(own: OwnTerms) -> dict[str, TreatmentUnit]:
    """Return the shipped treatment units and the store's own by id; an own unit replaces a shipped one."""
    return {**load_units(), **own.units}


def register(transaction: Transaction, path: Path) -> tuple[str, bool]:
    """Register the limits or treatment units of a TOML file; return a description, and whether they are new.

    Limits replace those registered before; units replace those of the same id. Raises FileError.
    """
    content, own = read_toml(path, _FileContent), transaction.current(OwnTerms, OWN) or OwnTerms(id=OWN)
    if (content.limit is None) == (content.units is None):
        raise FileError("the file contains neither limits nor treatment units, or both", where=str(path),
                        allowed="[[limit]] entries, or [units.ID] tables")
    if content.limit is not None:
        limits = load_limits(path)
        return f"limits {limits.name!r}", transaction.put(
            msgspec.structs.replace(own, limits=limits), "limits registered"
        )
    units = load_units(path)
    return (f"{len(units)} treatment unit{'s' * (len(units) != 1)}",
            transaction.put(msgspec.structs.replace(own, units={**own.units, **units}), "treatment units registered"))


def assess_on(own: OwnTerms, reading: Reading, equipment: Equipment,
              upstream: Upstream | NotCompared | None = None) -> Assessment:
    """Return the assessment of a reading for a machine on the store's terms. Raises InputError if it has no value."""
    return assess(reading, equipment=equipment, limits=own.limits or DEFAULT_SET, units=catalogue(own),
                  upstream=upstream)
