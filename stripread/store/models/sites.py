"""Records of sites: groups, sites, sampling points, machines, treatment units and their service."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Literal

import msgspec

from assess.equipment import Equipment
from assess.treatment.unit import Share, TreatmentUnit
from stripread.store.models.record import Days, Id, Line, Moment, Record

Place = Literal["mains", "after treatment", "at the machine"]
#: Nearest to the machine first: there a sample represents best the water that the machine receives.
NEAREST: Final[tuple[Place, ...]] = ("at the machine", "after treatment", "mains")
Job = Literal["fitted", "cartridge changed", "setting changed", "cleaned", "inspected", "removed"]
MachineJob = Literal["installed", "descaled", "boiler replaced", "repaired", "inspected"]
Litres = Annotated[float, msgspec.Meta(ge=0.0)]


class SiteGroup(Record, frozen=True, kw_only=True):
    """A group of sites that are reported together."""

    name: Line


Latitude = Annotated[float, msgspec.Meta(ge=-90.0, le=90.0)]
Longitude = Annotated[float, msgspec.Meta(ge=-180.0, le=180.0)]


class Site(Record, frozen=True, kw_only=True):
    """A place with machines; ``closed``: date from which it is no longer managed.

    ``latitude`` and ``longitude``: degrees (WGS 84), for the map; None: not recorded. ``zone``: name of the supply
    zone, whose sites are fed by the same mains; empty: not recorded.
    """

    name: Line
    group: Id | None = None
    address: str = ""
    note: str = ""
    closed: date | None = None
    latitude: Latitude | None = None
    longitude: Longitude | None = None
    zone: str = ""


class Machine(Record, frozen=True, kw_only=True):
    """A machine at a site, with its equipment profile."""

    site: Id
    equipment: Equipment
    removed: date | None = None


class LimitAssignment(msgspec.Struct, frozen=True, kw_only=True):
    """Set of limits of a sampling point from a day on; ``limits``: its name, None for that of the whole store."""

    since: date
    limits: Line | None


class SamplingPoint(Record, frozen=True, kw_only=True):
    """A sampling point of a site; ``unit``: the treatment unit upstream; ``machine``: the machine that it supplies.

    ``every_days``: interval between tests, None if not set. ``closed``: date from which it is no longer in use.
    ``limits``: its own sets of limits, in order of their days; empty: that of the whole store.
    """

    site: Id
    place: Place
    name: Line
    machine: Id | None = None
    unit: Id | None = None
    every_days: Days | None = None
    closed: date | None = None
    limits: tuple[LimitAssignment, ...] = ()

    def limits_on(self, day: date) -> str | None:
        """Return the name of the set of limits that applies on a day; None: that of the whole store."""
        return next((a.limits for a in reversed(self.limits) if a.since <= day), None)


class Unit(Record, frozen=True, kw_only=True):
    """An installed treatment unit; ``catalogue``: id in the catalogue; ``unit``: its data sheet."""

    site: Id
    catalogue: Id
    unit: TreatmentUnit
    machine: Id | None = None


class Service(Record, frozen=True, kw_only=True):
    """Service of a treatment unit; ``litres``: meter reading.

    ``struck``: reason for exclusion of an entry made in error.
    """

    unit: Id
    at: Moment
    job: Job
    account: Id
    setting: Share | None = None
    litres: Litres | None = None
    note: str = ""
    struck: Line | None = None


class MachineWork(Record, frozen=True, kw_only=True):
    """Work on a machine; ``struck``: reason for exclusion of an entry made in error."""

    machine: Id
    at: Moment
    job: MachineJob
    account: Id
    note: str = ""
    struck: Line | None = None
