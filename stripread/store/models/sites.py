"""Where water is taken and what stands there: groups, sites, sampling points, machines, treatment units."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Literal

import msgspec

from assess.equipment import Equipment
from assess.treatment.unit import Share, TreatmentUnit
from stripread.store.models.record import Days, Id, Line, Moment, Record

Place = Literal["mains", "after treatment", "at the machine"]
#: The nearer to the machine, the more it says of what the machine gets.
NEAREST: Final[tuple[Place, ...]] = ("at the machine", "after treatment", "mains")
Job = Literal["fitted", "cartridge changed", "setting changed", "cleaned", "inspected", "removed"]
Litres = Annotated[float, msgspec.Meta(ge=0.0)]


class SiteGroup(Record, frozen=True, kw_only=True):
    """Sites that are looked at together."""

    name: Line


class Site(Record, frozen=True, kw_only=True):
    """A place with machines; ``closed`` since when it is no longer looked after."""

    name: Line
    group: Id | None = None
    address: str = ""
    note: str = ""
    closed: date | None = None


class Machine(Record, frozen=True, kw_only=True):
    """One machine at a site, as its profile describes it."""

    site: Id
    equipment: Equipment
    removed: date | None = None


class SamplingPoint(Record, frozen=True, kw_only=True):
    """Where at a site the water of a sample comes from: after treatment, the ``unit``; at the machine, which one.

    ``every_days``: how often it is to be tested; None: no rule. ``closed``: since when it is no longer.
    """

    site: Id
    place: Place
    name: Line
    machine: Id | None = None
    unit: Id | None = None
    every_days: Days | None = None
    closed: date | None = None


class Unit(Record, frozen=True, kw_only=True):
    """A treatment unit in place; ``catalogue`` its id there, ``unit`` what its data sheet states."""

    site: Id
    catalogue: Id
    unit: TreatmentUnit
    machine: Id | None = None


class Service(Record, frozen=True, kw_only=True):
    """One event in the history of a treatment unit; ``litres`` through its meter so far.

    ``struck``: why it does not count, where it was entered in error.
    """

    unit: Id
    at: Moment
    job: Job
    account: Id
    setting: Share | None = None
    litres: Litres | None = None
    note: str = ""
    struck: Line | None = None
