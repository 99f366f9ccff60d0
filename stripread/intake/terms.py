"""The store's own limits and treatment units: registered from TOML and used by every reading.

An assessment is never changed. Changed terms lead to a re-assessment, which adds a later one: that is then current,
and both are retained.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Final

import msgspec

from assess.assessment import Assessment, assess
from assess.diagnosis.result import NotCompared, Upstream
from assess.equipment import Equipment
from assess.inputs.sample import Assumption, Sample
from assess.limits import DEFAULT_SET, LimitSet, load_limits, shipped_sets
from assess.setup import AssessmentSetup
from assess.treatment.unit import TreatmentUnit, load_units
from shared.errors import FileError
from shared.files import read_toml
from stripread.store.models.materials import OWN, OwnTerms
from stripread.store.models.sites import SamplingPoint
from stripread.store.store import Store
from stripread.store.transaction import Transaction
from stripread.version import SOFTWARE

SUFFIX: Final = ".toml"


class _FileContent(msgspec.Struct, frozen=True):
    """What a TOML file contains."""

    limit: list[object] | None = None
    units: dict[str, object] | None = None


def own_terms(store: Store) -> OwnTerms:
    """Return the registered terms; without any, terms without limits and units."""
    return next(iter(store.find(OwnTerms, id=OWN)), OwnTerms(id=OWN))


def limit_sets(own: OwnTerms) -> dict[str, LimitSet]:
    """Return the sets of limits that a sampling point can have, by name: the supplied ones and the store's own."""
    return {**{name: load_limits(name) for name in shipped_sets()}, **own.sets}


def terms_at(own: OwnTerms, point: SamplingPoint | None, sampled: datetime) -> OwnTerms:
    """Return the terms for a sample of a point: with the point's own set of limits, where it has one on that day (UTC).

    A set of that name that is no longer known leaves the store's own.
    """
    name = None if point is None else point.limits_on(sampled.astimezone(UTC).date())
    if name is None:
        return own
    limits = own.sets.get(name) or (load_limits(name) if name in shipped_sets() else own.limits)
    return msgspec.structs.replace(own, limits=limits)


def register_set(transaction: Transaction, path: Path) -> str:
    """Register a TOML file as a set of limits for sampling points; return its name. Raises FileError.

    It replaces an own set of that name; a supplied set keeps its name.
    """
    limits, own = load_limits(path), transaction.current(OwnTerms, OWN) or OwnTerms(id=OWN)
    if limits.name in shipped_sets():
        raise FileError("a supplied set of limits has this name", where=f"{path}: name", found=repr(limits.name),
                        allowed=f"a name other than {', '.join(shipped_sets())}")
    transaction.put(msgspec.structs.replace(own, sets={**own.sets, limits.name: limits}), "limits registered")
    return limits.name


def catalogue(own: OwnTerms) -> dict[str, TreatmentUnit]:
    """Return the supplied treatment units and the store's own by id; an own unit replaces a supplied one."""
    return {**load_units(), **own.units}


def register(transaction: Transaction, path: Path) -> tuple[str, bool]:
    """Register the limits or treatment units of a TOML file; return a description, and whether they are new.

    Limits replace those registered before; units replace those of the same id. Raises FileError.
    """
    content, own = read_toml(path, _FileContent), transaction.current(OwnTerms, OWN) or OwnTerms(id=OWN)
    if (content.limit is None) == (content.units is None):
        raise FileError("the file must contain either limits or treatment units", where=str(path),
                        allowed="[[limit]] entries, or [units.ID] tables")
    if content.limit is not None:
        limits = load_limits(path)
        return f"limits {limits.name!r}", transaction.put(
            msgspec.structs.replace(own, limits=limits), "limits registered"
        )
    units = load_units(path)
    return (f"{len(units)} treatment unit{'s' * (len(units) != 1)}",
            transaction.put(msgspec.structs.replace(own, units={**own.units, **units}), "treatment units registered"))


@dataclass(frozen=True, slots=True)
class AssessmentCase:
    """A water with all that its assessment depends on."""

    water: Sample
    setup: AssessmentSetup
    upstream: Upstream | None

    @property
    def digest(self) -> str:
        """SHA-256 (hex) of the inputs: equal ones give an equal assessment, which need not be computed."""
        return self.setup.digest(self.water, None, self.upstream)

    def assess(self) -> Assessment:
        """Return the assessment. Raises InputError if the water has no value."""
        return assess(self.water, self.setup, upstream=self.upstream)


def case_on(own: OwnTerms, water: Sample, equipment: Equipment, upstream: Upstream | NotCompared | None = None,
            prior: Mapping[str, Assumption] = MappingProxyType({})) -> AssessmentCase:
    """Return the case of a water for a machine on the store's terms."""
    if isinstance(upstream, NotCompared):
        water = msgspec.structs.replace(water, notes=(*water.notes, upstream.why))
    setup = AssessmentSetup(equipment=equipment, limits=own.limits or load_limits(DEFAULT_SET), units=catalogue(own),
                            software=SOFTWARE, prior=prior)
    return AssessmentCase(water, setup, upstream if isinstance(upstream, Upstream) else None)


def assess_on(own: OwnTerms, water: Sample, equipment: Equipment, upstream: Upstream | NotCompared | None = None,
              prior: Mapping[str, Assumption] = MappingProxyType({})) -> Assessment:
    """Return the assessment of a water for a machine on the store's terms. Raises InputError if it has no value."""
    return case_on(own, water, equipment, upstream, prior).assess()
