"""The sample company: its tables, people, phones and strip batches. All names are invented."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path
from typing import Final

from stripread.demo.render import CameraPhone
from stripread.demo.water import Values, mains, treated
from stripread.store.models.accounts import Role

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
