"""The machine: its boilers, their daily use, the manufacturer's limits, the installed treatment."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Literal

import msgspec

from assess.limits import MEASURES, BoilerKind, Material
from shared.errors import FileError
from shared.files import read_toml
from shared.water.boiler import SteamBoiler

_SHIPPED = Path(str(files("assess"))) / "data" / "equipment"
#: Measures of the feed that a manufacturer may limit.
MAKER_MEASURES = ("hardness", "alkalinity", "ph", "chloride", "chlorine", "conductivity")
#: "lowest-level": the lowest level of intervention that is close enough; "closest": the water closest to the target.
Preference = Literal["lowest-level", "closest"]
#: Days after which a steam boiler that is never drained is assessed: common practice is to open it once a season.
UNDRAINED_DAYS = 90.0
#: The machine that is assumed where none is named: a template that is supplied with the program.
DEFAULT_EQUIPMENT = "two-boiler-espresso"


class LevelProbe(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A level probe that detects water by its conductivity (at 25 °C)."""

    min_conductivity_us_cm: float
    source: str = "the equipment profile"


class Drain(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Draining: a share (0 to 1) of a boiler's water is drained and refilled at an interval."""

    every_days: float
    share: float = 1.0

    def __post_init__(self) -> None:
        if not (self.every_days > 0 and 0 < self.share <= 1):
            raise ValueError("a drain needs every_days above 0, and a share above 0 and at most 1")


class Boiler(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``vented``: open to air, so carbon dioxide leaves below boiling. None: not stated.

    ``element``: material of the heating element in its water; usually stainless steel even in a copper boiler
    (common practice, no source).
    """

    name: str
    kind: BoilerKind
    temperature_c: float
    volume_l: float
    material: Material = "unknown"
    element: Material = "stainless-316"
    heated_area_m2: float | None = None
    draw_off_l_per_day: float = 0.0
    steam_kg_per_day: float = 0.0
    vented: bool = False
    level_probe: LevelProbe | None = None
    drain: Drain | None = None

    def __post_init__(self) -> None:
        low, high = (90.0, 150.0) if self.kind == "steam" else (20.0, 130.0)
        if not low <= self.temperature_c <= high:
            raise ValueError(f"{self.name}: a {self.kind} boiler must be at {low:g} to {high:g} °C, "
                             f"found temperature_c {self.temperature_c:g}")
        if self.volume_l <= 0 or (self.heated_area_m2 is not None and self.heated_area_m2 <= 0):
            raise ValueError(f"{self.name}: volume_l and heated_area_m2 must be above 0")
        if self.draw_off_l_per_day < 0 or self.steam_kg_per_day < 0:
            raise ValueError(f"{self.name}: draw_off_l_per_day and steam_kg_per_day cannot be negative")
        if self.steam_kg_per_day > 0 and self.kind != "steam":
            raise ValueError(f"{self.name}: only a steam boiler has steam_kg_per_day")

    @property
    def wetted(self) -> tuple[Material, ...]:
        """Materials in contact with its hot water: of the vessel and of the heating element."""
        return (self.material, self.element) if self.has_element else (self.material,)

    @property
    def has_element(self) -> bool:
        """Whether a heating element is in the water: heat exchangers inside a boiler have none."""
        return self.heated_area_m2 is not None or self.kind != "brew"

    @property
    def litres_per_day(self) -> float:
        """Feed water of the boiler per day."""
        return self.draw_off_l_per_day + self.steam_kg_per_day

    @property
    def cycles(self) -> float:
        """Highest ratio of the salts in the boiler to those of the feed: just before draining, or in steady use."""
        if self.steam_kg_per_day == 0:
            return 1.0
        vessel = SteamBoiler(mass=self.volume_l, steam_per_day=self.steam_kg_per_day,
                             drained_per_day=self.draw_off_l_per_day)
        if self.drain is None:
            return vessel.cycles(UNDRAINED_DAYS)
        return vessel.peak_cycles(self.drain.every_days, self.drain.share)


class ManufacturerLimit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A manufacturer's limit on the feed or, with ``boiler``, on that boiler's water; in the measure's unit."""

    measure: str
    unit: str
    source: str
    at_least: float | None = None
    at_most: float | None = None
    boiler: str | None = None

    def __post_init__(self) -> None:
        if self.measure not in MAKER_MEASURES:
            raise ValueError(f"a manufacturer's limit must be on one of {', '.join(MAKER_MEASURES)}, "
                             f"found {self.measure!r}")
        if self.unit != MEASURES[self.measure].unit:
            raise ValueError(f"a limit on {self.measure} must be stated in {MEASURES[self.measure].unit!r}, "
                             f"found {self.unit!r}")
        if self.at_least is None and self.at_most is None:
            raise ValueError(f"the manufacturer's limit on {self.measure} needs at_least or at_most")
        if self.boiler is not None and self.measure != "chloride":
            raise ValueError("only chloride can be limited in a boiler; omit `boiler`")


class InstalledTreatment(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The installed treatment.

    ``unit``: its ID in the catalogue; ``setting``: its bypass, calcite fraction or strength, from 0 to 1;
    ``installed``: day of its installation.
    """

    unit: str
    setting: float | None = None
    installed: date | None = None
    capacity_eq: float | None = None
    price: float | None = None
    currency: str | None = None

    def __post_init__(self) -> None:
        if self.setting is not None and not 0 <= self.setting <= 1:
            raise ValueError(f"setting must be a fraction from 0 to 1, found {self.setting:g}")


class Prices(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Local prices of an hour of labour, a cubic metre of water with its sewage, one descaling. None: not known."""

    currency: str | None = None
    labour_hour: float | None = None
    water_m3: float | None = None
    descaling: float | None = None

    def __post_init__(self) -> None:
        if any(p is not None and p < 0 for p in (self.labour_hour, self.water_m3, self.descaling)):
            raise ValueError("a price must be 0 or more")


class Equipment(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Profile of a machine.

    ``treatment``: the unit that the sampled water still has to pass; ``downstream_of``: name of the unit that it has
    already passed. ``prefer``: the lowest level of intervention or the water closest to the target; ``margin``: what a
    higher level must gain, noticeable differences (None: the default).
    """

    name: str
    boilers: tuple[Boiler, ...]
    about: str = ""
    maker_limits: tuple[ManufacturerLimit, ...] = ()
    treatment: InstalledTreatment | None = None
    downstream_of: str | None = None
    prefer: Preference = "lowest-level"
    margin: float | None = None
    prices: Prices | None = None

    def __post_init__(self) -> None:
        names = [b.name for b in self.boilers]
        if not names or len(set(names)) < len(names):
            raise ValueError("a machine needs one or more boilers with different names")
        if self.treatment is not None and self.downstream_of is not None:
            raise ValueError("a sample is upstream of its treatment or downstream of it: state `treatment` or "
                             "`downstream_of`, not both")
        if self.margin is not None and self.margin < 0:
            raise ValueError(f"margin must be 0 or more noticeable differences, found {self.margin:g}")
        for limit in self.maker_limits:
            if limit.boiler is not None and limit.boiler not in names:
                raise ValueError(f"no such boiler: {limit.boiler!r}; allowed: {', '.join(names)}")

    @property
    def litres_per_day(self) -> float:
        """Feed water of the machine per day."""
        return sum(b.litres_per_day for b in self.boilers)

    def notes(self) -> Iterator[str]:
        """Yield what the profile does not state, and what is assumed instead."""
        for boiler in self.boilers:
            if boiler.litres_per_day == 0:
                yield f"{boiler.name}: its daily use is not stated, so its scale cannot be given in grams."
            if boiler.steam_kg_per_day > 0 and boiler.draw_off_l_per_day == 0 and boiler.drain is None:
                yield (f"{boiler.name}: only steam leaves it, so salts concentrate without limit. It is assessed after "
                       f"{UNDRAINED_DAYS:g} days ({boiler.cycles:.0f} times the feed).")


def templates() -> tuple[str, ...]:
    """Return the names of the generic machines."""
    return tuple(sorted(p.stem for p in _SHIPPED.glob("*.toml")))


def load_equipment(name: str | Path) -> Equipment:
    """Return a generic machine by the name of its template, or the user's own by its path. Raises FileError."""
    path = _SHIPPED / f"{name}.toml" if str(name) in templates() else Path(name)
    if path.suffix != ".toml":
        raise FileError("no such machine", where=str(name), allowed=", ".join(templates()),
                        remedy="name one of these templates, or give the path of your own TOML profile")
    return read_toml(path, Equipment)
