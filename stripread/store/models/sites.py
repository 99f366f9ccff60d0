"""Records of sites: groups, sites, sampling points, machines, treatment units, their service, decisions and stock."""

from __future__ import annotations

from datetime import date, datetime
from itertools import pairwise
from typing import Annotated, Final, Literal

import msgspec

from assess.equipment import Equipment
from assess.treatment.unit import Share, TreatmentUnit
from stripread.store.models.record import Days, Id, Line, Moment, Record

Place = Literal["mains", "after treatment", "at the machine"]
#: Nearest to the machine first: there a sample represents best the water that the machine receives.
NEAREST: Final[tuple[Place, ...]] = ("at the machine", "after treatment", "mains")
Job = Literal["installed", "cartridge changed", "setting changed", "cleaned", "inspected", "removed"]
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
    """Work on a machine; ``struck``: reason for exclusion of an entry made in error.

    ``boiler``: the only boiler that was worked on; None: all of the machine.
    """

    machine: Id
    at: Moment
    job: MachineJob
    account: Id
    note: str = ""
    struck: Line | None = None
    boiler: Line | None = None


DecisionState = Literal["proposed", "chosen", "ordered", "installed", "verified", "closed", "reopened"]
#: States that may follow each state.
FOLLOWING: Final[dict[DecisionState, tuple[DecisionState, ...]]] = {
    "proposed": ("chosen", "closed"),
    "chosen": ("ordered", "installed", "closed"),
    "ordered": ("installed", "closed"),
    "installed": ("verified", "reopened", "closed"),
    "verified": ("closed", "reopened"),
    "closed": ("reopened",),
    "reopened": ("chosen", "ordered", "installed", "closed"),
}
#: States in which nothing remains to be done.
SETTLED: Final[tuple[DecisionState, ...]] = ("verified", "closed")
Count = Annotated[int, msgspec.Meta(ge=0, le=100_000)]


class DecisionStep(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who brought a decision into a state, when and why.

    An installation is verified by a ``reading``, or by the assessment of a laboratory or typed ``sample``.
    """

    state: DecisionState
    at: Moment
    account: Id
    why: str = ""
    reading: Id | None = None
    sample: Id | None = None


class TreatmentDecision(Record, frozen=True, kw_only=True):
    """A decision for a site: ``what`` is to be done, and its steps in order of time.

    ``recommended``: what the program recommended when it was proposed. ``catalogue``: id of the unit to buy, None if
    nothing is bought; ``setting`` and ``quantity`` of it.
    """

    site: Id
    what: Line
    recommended: str
    steps: Annotated[tuple[DecisionStep, ...], msgspec.Meta(min_length=1)]
    catalogue: Id | None = None
    setting: Share | None = None
    quantity: Count = 1

    def __post_init__(self) -> None:
        states = [step.state for step in self.steps]
        if states[0] != "proposed":
            raise ValueError(f"the first state of a decision must be proposed; found {states[0]!r}")
        for before, after in pairwise(states):
            if after not in FOLLOWING[before]:
                raise ValueError(f"a decision that is {before} cannot become {after}; allowed: "
                                 f"{', '.join(FOLLOWING[before])}")

    @property
    def state(self) -> DecisionState:
        """The present state."""
        return self.steps[-1].state

    @property
    def at(self) -> datetime:
        """Time of the last step."""
        return self.steps[-1].at

    @property
    def follows(self) -> bool:
        """Whether it follows the recommendation."""
        return self.what == self.recommended

    @property
    def open(self) -> bool:
        """Whether something remains to be done."""
        return self.state not in SETTLED


class UnitStock(Record, frozen=True, kw_only=True):
    """Number of units of a catalogue entry (the id) in stock, counted ``at``."""

    count: Count
    at: Moment
    account: Id
