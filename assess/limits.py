"""Limits with their sources, in named sets (TOML files), and the quantities that can be limited.

The quantities are computed in ``assess.criteria``; limits files are checked against their table.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Literal

import msgspec

from shared.errors import FileError
from shared.files import read_toml

Place = Literal["feed", "boiler", "probe"]


@dataclass(frozen=True, slots=True)
class Measure:
    """``needs``: analytes that must be measured for a verdict.

    ``optional``: not judged at all if one of them was not measured.
    """

    id: str
    name: str
    unit: str
    place: Place
    needs: tuple[str, ...]
    optional: bool = False


_CALCITE = ("hardness", "alkalinity", "ph")

_TABLE = (
    Measure("scale", "scale", "mg/L CaCO3", "boiler", _CALCITE),
    Measure("scale-weight", "scale mass", "g/week", "boiler", _CALCITE),
    Measure("scale-thickness", "scale thickness", "mm/year", "boiler", _CALCITE),
    Measure("boiler-chloride", "chloride in the boiler", "mg/L Cl", "boiler", ("chloride",)),
    Measure("chloride", "chloride", "mg/L Cl", "feed", ("chloride",)),
    Measure("soft-acid", "pH of a poorly buffered water", "pH", "feed", ("ph", "alkalinity")),
    Measure("copper-acid", "pH on copper and brass", "pH", "boiler", ("ph",)),
    Measure("metal-chlorine", "free chlorine on metal", "mg/L Cl2", "feed", ("chlorine",)),
    Measure("larson-skold", "Larson-Skold index", "meq/meq", "feed",
            ("chloride", "alkalinity", "sulfate")),
    Measure("conductivity", "conductivity at the level probe", "µS/cm", "probe",
            ("hardness", "alkalinity", "chloride")),
    Measure("hardness", "total hardness", "mg/L CaCO3", "feed", ("hardness",)),
    Measure("calcium-hardness", "calcium hardness", "mg/L CaCO3", "feed", ("hardness",)),
    Measure("alkalinity", "total alkalinity", "mg/L CaCO3", "feed", ("alkalinity",)),
    Measure("ph", "pH", "pH", "feed", ("ph",)),
    Measure("chlorine", "free chlorine", "mg/L Cl2", "feed", ("chlorine",)),
    Measure("chloramine", "combined chlorine (chloramine)", "mg/L Cl2", "feed",
            ("total-chlorine",), optional=True),
    Measure("sodium", "sodium", "mg/L Na", "feed", ("hardness", "alkalinity", "chloride")),
    Measure("salt", "salt to taste", "mg/L NaCl", "feed", ("chloride",)),
)

#: Every measure by its id, in the order in which verdicts of equal severity are shown.
MEASURES: dict[str, Measure] = {m.id: m for m in _TABLE}


#: Severity of being out of limits, the most severe first. Severities are ranked, never counted or summed.
Severity = Literal["machine", "scale", "leaching", "cup", "information"]
SEVERITIES: tuple[Severity, ...] = ("machine", "scale", "leaching", "cup", "information")

BoilerKind = Literal["brew", "steam", "hot-water"]
Material = Literal["stainless-304", "stainless-316", "copper", "brass", "unknown"]

DEFAULT_SET = "default"
_SHIPPED = Path(str(files("assess"))) / "data" / "limits"


class Limit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Bounds on one measure, in that measure's unit, and what it means to exceed them.

    ``kinds``, ``materials`` and ``vented`` restrict it to such boilers (default: all). ``best`` and ``taper``: the
    optimum, and the value above which more gains little; shown, never judged. ``unless_alkalinity`` (mg/L CaCO3):
    alkalinity from which the bound does not apply. ``not_above_c`` and ``above_c``: applies to boilers up to, or above,
    this temperature (°C). ``loss``: loss in the cup, as pairs of value and noticeable differences; linear between the
    pairs and beyond the ends.
    """

    measure: str
    unit: str
    severity: Severity
    source: str
    at_least: float | None = None
    at_most: float | None = None
    if_low: str = ""
    if_high: str = ""
    best: float | None = None
    taper: float | None = None
    kinds: tuple[BoilerKind, ...] = ()
    materials: tuple[Material, ...] = ()
    vented: bool | None = None
    unless_alkalinity: float | None = None
    not_above_c: float | None = None
    above_c: float | None = None
    loss: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if self.measure not in MEASURES:
            raise ValueError(f"no such measure: {self.measure!r}; allowed: {', '.join(MEASURES)}")
        self._check_unit()
        self._check_bounds()
        self._check_loss()

    def _check_loss(self) -> None:
        values = [value for value, _ in self.loss]
        if values != sorted(set(values)) or len(values) == 1 or any(cost < 0 for _, cost in self.loss):
            raise ValueError(f"the loss of {self.measure} needs at least two pairs, with rising values and costs of 0 "
                             "or more")

    def _check_unit(self) -> None:
        own = MEASURES[self.measure].unit
        if self.unit != own:
            raise ValueError(f"a limit on {self.measure} must be stated in {own!r}, found {self.unit!r}")

    def _check_bounds(self) -> None:
        low, high = self.at_least, self.at_most
        if low is None and high is None:
            raise ValueError(f"the limit on {self.measure} needs at_least or at_most")
        if low is not None and high is not None and low >= high:
            raise ValueError(f"at_least {low:g} must be below at_most {high:g} for {self.measure}")
        for bound, words, key in ((low, self.if_low, "if_low"), (high, self.if_high, "if_high")):
            if bound is not None and not words.strip():
                raise ValueError(f"the limit on {self.measure} needs {key}: the consequence of exceeding it")


class LimitSet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A named set of limits. ``extends``: a supplied set whose limits on other measures apply as well."""

    name: str
    about: str
    limit: tuple[Limit, ...]
    extends: str | None = None

    def __post_init__(self) -> None:
        for measure in dict.fromkeys(x.measure for x in self.limit):
            own = self.on(measure)
            if len(own) > 1 and MEASURES[measure].place == "feed":
                raise ValueError(f"{len(own)} limits on {measure}; state at_least and at_most in one limit")
            if len({(x.at_least is None, x.at_most is None) for x in own}) > 1:
                raise ValueError(f"the limits on {measure} bound different sides; state the same of at_least and "
                                 "at_most in each of them")

    def on(self, measure: str) -> tuple[Limit, ...]:
        """Return the limits on one measure; several where they differ by kind or material of boiler."""
        return tuple(x for x in self.limit if x.measure == measure)


@cache
def shipped_sets() -> tuple[str, ...]:
    """Return the names of the supplied sets."""
    return tuple(sorted(p.stem for p in _SHIPPED.glob("*.toml")))


def load_limits(name: str | Path = DEFAULT_SET) -> LimitSet:
    """Return a supplied set by its name, or the user's own by its path, with what it extends. Raises FileError."""
    return _shipped_set(str(name)) if str(name) in shipped_sets() else _set_at(Path(name), str(name))


@cache
def _shipped_set(name: str) -> LimitSet:
    return _set_at(_SHIPPED / f"{name}.toml", name)


def _set_at(path: Path, name: str) -> LimitSet:
    if path.suffix != ".toml":
        raise FileError("no such set of limits", where=name, allowed=", ".join(shipped_sets()),
                        remedy="name one of these, or give the path of your own TOML file")
    own = read_toml(path, LimitSet)
    if own.extends is None:
        return own
    if own.extends not in shipped_sets() or own.extends == path.stem:
        raise FileError("no such set to extend", where=f"{path}: extends", found=repr(own.extends),
                        allowed=", ".join(shipped_sets()))
    base = load_limits(own.extends)
    replaced = {x.measure for x in own.limit}
    inherited = tuple(x for x in base.limit if x.measure not in replaced)
    return msgspec.structs.replace(own, limit=inherited + own.limit, extends=None)
