"""The sample company: its sites and equipment, and the water of each zone and day.

Everything is invented. Days count from 0, the first of the year, to 364.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files
from math import cos, erf, pi, sin, sqrt
from pathlib import Path
from typing import Final

from stripread.demo.render import CameraPhone
from stripread.store.models.accounts import Role

Values = dict[str, float]

YEAR: Final = 365
#: Day on which the mains of the vale changes.
MAINS_CHANGE: Final = 170
_RIDGE: Final = {"hardness": 210.0, "alkalinity": 192.0, "ph": 7.5, "chloride": 28.0, "chlorine": 0.25}
_SOFT_VALE: Final = {"hardness": 66.0, "alkalinity": 48.0, "ph": 7.5, "chloride": 22.0, "chlorine": 0.2}
_HARD_VALE: Final = {"hardness": 150.0, "alkalinity": 112.0, "ph": 7.6, "chloride": 34.0, "chlorine": 0.3}
_MARSH: Final = {"hardness": 84.0, "alkalinity": 52.0, "ph": 7.6, "chloride": 66.0, "chlorine": 0.35}
#: Amplitude of the chloride of the marsh over the year, mg/L, and day of its maximum.
_SALT, _DRY = 58.0, 220
#: Relative amplitude and period in days of slow changes of every water.
_SWING, _PERIOD = 0.015, 47.0


@dataclass(frozen=True, slots=True)
class Renewal:
    """A unit is installed or its cartridge changed on ``day``; half of what it removes passes ``half_days`` later.

    ``setting``: share of untreated water. A membrane has no breakthrough: ``half_days`` is None.
    """

    day: int
    setting: float
    half_days: float | None = None


#: Renewals of each unit, in order of time.
RENEWALS: Final[dict[str, tuple[Renewal, ...]]] = {
    "chalkstep-corner/filter": (Renewal(0, 0.2, 170.0), Renewal(150, 0.2, 180.0)),
    "beacon-stair/filter": (Renewal(1, 0.1, 150.0), Renewal(160, 0.1, 150.0), Renewal(322, 0.1, 150.0)),
    "mill-lantern/filter": (Renewal(250, 0.2, 270.0),),
    "ferry-bench/filter": (Renewal(205, 0.2, 176.0),),
    "upper-quill/osmosis": (Renewal(2, 0.25),),
    "saltmarrow-quay/carbon": (Renewal(3, 0.0, 420.0),),
}
#: Share of the load that an exchanger takes from the water through it, a carbon filter of chlorine, a membrane of all.
_EXCHANGED, _ADSORBED, _REJECTED = 0.9, 0.95, 0.95
#: Standard deviation of the time at which a cartridge's parts are exhausted, as a share of its half life.
_SPREAD: Final = 0.11
#: Drop of pH where an exchanger leaves carbon dioxide.
_ACID: Final = 0.5


def mains(zone: str, day: int) -> Values:
    """Return the water of a zone's mains on a day."""
    usual = {"ridge": _RIDGE, "vale": _SOFT_VALE if day < MAINS_CHANGE else _HARD_VALE, "marsh": _MARSH}[zone]
    swing = 1 + _SWING * sin(2 * pi * day / _PERIOD)
    water = {analyte: value if analyte == "ph" else value * swing for analyte, value in usual.items()}
    if zone == "marsh":
        water["chloride"] += _SALT * cos(2 * pi * (day - _DRY) / YEAR)
    return water


def treated(unit: str, feed: Values, day: int) -> Values:
    """Return what a unit leaves of its feed on a day; before it is installed the feed itself."""
    renewal = max((r for r in RENEWALS[unit] if r.day <= day), key=lambda r: r.day, default=None)
    if renewal is None:
        return feed
    if unit.endswith("/osmosis"):
        passed = renewal.setting + (1 - renewal.setting) * (1 - _REJECTED)
        return {a: v - 0.3 if a == "ph" else 0.0 if a == "chlorine" else v * passed for a, v in feed.items()}
    fresh = 1 - passing(renewal, day)
    if unit.endswith("/carbon"):
        return {**feed, "chlorine": feed["chlorine"] * (1 - _ADSORBED * fresh)}
    taken = feed["alkalinity"] * (1 - renewal.setting) * _EXCHANGED * fresh
    return {**feed, "hardness": feed["hardness"] - taken, "alkalinity": feed["alkalinity"] - taken,
            "ph": feed["ph"] - _ACID * fresh, "chlorine": 0.0}


def passing(renewal: Renewal, day: int) -> float:
    """Return the share of what a fresh cartridge removes that passes on a day: a normal distribution of failures."""
    if renewal.half_days is None:
        return 0.0
    return 0.5 * (1 + erf((day - renewal.day - renewal.half_days) / (_SPREAD * renewal.half_days * sqrt(2))))


NAME: Final = "Quillmoor Coffee Water (fictitious)"
#: Water that passes each treatment unit.
LITRES_PER_DAY: Final = 25.0
#: Tables in the form of `stripread sites import`, and the company's catalogue of treatment units.
TABLES: Final = ("groups", "sites", "machines", "units", "points")


@dataclass(frozen=True, slots=True)
class Person:
    """A person with one role; ``sign_in``: the name to sign in with."""

    name: str
    role: Role

    @property
    def sign_in(self) -> str:
        """Name to sign in with: that of the role."""
        return self.role


PEOPLE: Final = (
    Person("Addy Administrator", "administrator"), Person("Theo Technician", "technician"),
    Person("Ana Analyst", "analyst"), Person("Rina Reviewer", "reviewer"), Person("Mika Manager", "manager"))
#: Phones by id, with the role that uses each.
PHONES: Final[dict[str, tuple[CameraPhone, Role]]] = {
    "phone-road": (CameraPhone("Phone One", 4), "technician"),
    "phone-bench": (CameraPhone("Phone Two", 7), "analyst")}


@contextmanager
def tables() -> Iterator[tuple[list[Path], Path]]:
    """Return the paths of the tables and of the catalogue of treatment units."""
    folder = files("stripread.demo") / "data" / "company"
    with ExitStack() as stack:
        yield ([stack.enter_context(as_file(folder / f"{name}.csv")) for name in TABLES],
               stack.enter_context(as_file(folder / "treatment-units.toml")))


def water_at(point: str, day: int) -> Values:
    """Return the true values at a sampling point on a day."""
    site, unit = _points()[point]
    feed = mains(_zones()[site], day)
    return treated(unit, feed, day) if unit else feed


def points() -> tuple[str, ...]:
    """Return the ids of the sampling points."""
    return tuple(_points())


def _rows(table: str) -> list[dict[str, str]]:
    text = (files("stripread.demo") / "data" / "company" / f"{table}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def _points() -> dict[str, tuple[str, str]]:
    """Return site and treatment unit ("" for none) by sampling point."""
    return {row["sampling point"]: (row["site"], row["treatment unit"]) for row in _rows("points")}


@cache
def _zones() -> dict[str, str]:
    return {row["site"]: row["group"] for row in _rows("sites")}
