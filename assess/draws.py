"""Draws of everything uncertain: measured values, assumptions and the error of the chemical model.

Equilibria that are already solved for a water are stored with it; an interval is the median and 95 % of draws.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from hashlib import sha256
from typing import Final, NamedTuple, NoReturn, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from assess.inputs.sample import CALCIUM_FRACTION, Inputs, Sample
from assess.treatment.treatment import EXACT, ScaleCredit, Variation
from shared.errors import InputError
from shared.estimate import Correlation, Estimate
from shared.water import Vector, Water, WaterReading, balance_charge, conductivity, ph_in_air, speciate

K = TypeVar("K", bound=Hashable)
_LOW_MIDDLE_HIGH: Final = (0.025, 0.5, 0.975)


class Interval(msgspec.Struct, frozen=True, kw_only=True):
    """Median and 95 % interval of a quantity."""

    value: float
    low: float
    high: float


def quantiles(draws: Vector) -> Vector:
    """Return low end, median and high end, shape (3, ...), of draws (..., n). One call for many is faster.

    Linear interpolation between order statistics, as ``numpy.quantile``, whose checks take longer than the sorting.
    """
    n = draws.shape[-1]
    at = np.array(_LOW_MIDDLE_HIGH) * (n - 1)
    below = at.astype(int)
    above, part = np.minimum(below + 1, n - 1), at - below
    ordered = np.partition(draws, sorted({*below.tolist(), *above.tolist()}), axis=-1)
    return np.moveaxis(ordered[..., below] * (1 - part) + ordered[..., above] * part, -1, 0)


def interval(draws: Vector) -> Interval:
    """Return median and interval of draws (n,)."""
    low, value, high = quantiles(draws).tolist()
    return Interval(value=value, low=low, high=high)


def intervals(draws: Mapping[K, Vector]) -> dict[K, Interval]:
    """Return median and interval of each quantity's draws, all (n,)."""
    quantities = quantiles(np.stack(list(draws.values())))
    return {key: Interval(value=value, low=low, high=high)
            for key, (low, value, high) in zip(draws, quantities.T.tolist(), strict=True)}


#: °C of a room, and of a stated conductivity.
ROOM_C: Final = 25.0
#: Partial pressure of CO2 in the air of a café with people in it, atm (common practice, no source; 420e-6 outdoors).
ROOM_PCO2: Final = 800e-6


@dataclass(frozen=True, slots=True)
class SpeciationCache:
    """Solved equilibria of a ``water`` with a ``model_error``, one array for each quantity.

    ``untreated``: where many treatments are simulated at once (rows by draws), the cache of the tap and the rows whose
    water is the tap's; these are not solved again.
    """

    water: Water
    model_error: Vector
    untreated: UntreatedRows | None = None
    _cache: dict[Hashable, Vector] = field(default_factory=dict, repr=False)

    def is_of(self, water: Water, model_error: Vector) -> bool:
        """Return whether these arrays (the same objects) were solved."""
        return self.water is water and self.model_error is model_error

    def once(self, what: Hashable, solve: Callable[[Water], Vector]) -> Vector:
        """Return the result of ``solve`` for the water, called the first time only. ``what``: what it depends on."""
        if what not in self._cache:
            self._cache[what] = solve(self.water) if self.untreated is None else self._solved_where_treated(what, solve)
        return self._cache[what]

    def _solved_where_treated(self, what: Hashable, solve: Callable[[Water], Vector]) -> Vector:
        assert self.untreated is not None  # noqa: S101 - checked by the caller
        tap, same = self.untreated
        solutions = np.empty(self.water.shape)
        if same.any():
            solutions[same] = tap.once(what, solve)
        if not same.all():
            solutions[~same] = solve(self.water.take(~same))
        return solutions

    def part(self, water: Water, model_error: Vector, which: int | slice | list[int]) -> SpeciationCache:
        """Return the cache of a part of this water (rows, or some draws) with what is solved already."""
        kept = {what: values[which] for what, values in self._cache.items() if values.shape == self.water.shape}
        return SpeciationCache(water, model_error, _cache=kept)

    def conductivity(self) -> Vector:
        """Return the conductivity, µS/cm at 25 °C."""
        return self.once("conductivity", lambda water: conductivity(water, speciate(water, ROOM_C)))

    def ph_in_air(self) -> Vector:
        """Return the pH after standing in the air of a room at 25 °C."""
        return self.once("pH in air", lambda water: ph_in_air(water, ROOM_C, pco2=ROOM_PCO2))


class UntreatedRows(NamedTuple):
    """The tap's cache, and the rows (mask) whose water is the tap's."""

    tap: SpeciationCache
    same: NDArray[np.bool_]


#: Draws: enough for a probability to 0.5 %.
DRAWS: Final = 2000
#: The model's error is an input as well, the same standard normal variable at all temperatures.
MODEL = "thermodynamic data"
#: So is the pressure of CO2 above a boiling steam boiler.
GAS = "carbon dioxide pressure in the steam boiler"
#: Share of possible waters among the draws below which the values contradict each other.
_LEAST_POSSIBLE: Final = 0.05
_MEASURED_IONS: Final = ("sodium", "sulfate", "potassium")
_OF_NO_WATER: Final = SpeciationCache(Water(*8 * (np.zeros(0),)), np.zeros(0))


@dataclass(frozen=True, slots=True)
class Feed:
    """The water that enters the machine; all arrays (n,), or (settings, n) where treatments are simulated.

    ``ph`` is at ``temperature`` (°C); ``free_chlorine`` and ``chloramine`` mg/L Cl2; ``conductivity`` µS/cm at 25 °C;
    ``model_error`` and ``gas_error`` (of the CO2 over a steaming boiler) standard normal. ``credit``: scale that an
    inhibitor is assumed to prevent. ``settles``: where a treatment changed the CO2, so that the pH after standing in
    air is judged as well. ``variation``: how treatments of this water depart from their data sheets. ``solved``:
    equilibria of the water, shared by feeds that differ in other respects only.
    """

    water: Water
    ph: Vector
    temperature: Vector
    free_chlorine: Vector
    chloramine: Vector
    conductivity: Vector
    model_error: Vector
    gas_error: Vector
    sulfate_known: bool = False
    credit: ScaleCredit | None = None
    settles: NDArray[np.bool_] | None = None
    variation: Variation = EXACT
    solved: SpeciationCache = field(default=_OF_NO_WATER, repr=False)

    def __post_init__(self) -> None:
        if not self.solved.is_of(self.water, self.model_error):
            object.__setattr__(self, "solved", SpeciationCache(self.water, self.model_error))

    def take(self, n: int) -> Feed:
        """Return the first ``n`` draws, with what is solved already."""
        first = slice(min(n, self.ph.size))
        names = ("ph", "temperature", "free_chlorine", "chloramine", "conductivity", "model_error", "gas_error")
        some = {name: getattr(self, name)[first] for name in names}
        varied = Variation(*(np.broadcast_to(v, self.ph.shape)[first] for v in self.variation))
        water = self.water.take(np.arange(first.stop))
        return replace(self, water=water, variation=varied, **some,
                       solved=self.solved.part(water, some["model_error"], first))

    def highest_ph(self) -> Vector:
        """Return the higher of the pH at the outlet and, where a treatment changed the CO2, after standing in air."""
        return self._settled(np.maximum)

    def lowest_ph(self) -> Vector:
        """Return the lower of the two (see ``highest_ph``)."""
        return self._settled(np.minimum)

    def _settled(self, pick: Callable[[Vector, Vector], Vector]) -> Vector:
        if self.settles is None or not np.any(self.settles):
            return self.ph
        return np.where(self.settles, pick(self.ph, self.solved.ph_in_air()), self.ph)


@dataclass(frozen=True, slots=True)
class DrawnFeed:
    """A feed and the draws of its inputs by id, which show where its uncertainty comes from.

    ``charge_percent``: excess of cations over anions before the charge is balanced.
    """

    feed: Feed
    inputs: dict[str, Vector]
    charge_percent: Vector


def generator_of(*samples: Sample) -> np.random.Generator:
    """Return random numbers seeded with the values of the samples: no name, remark or file of limits changes them."""
    values = [[sorted((e.analyte, e.value, e.low, e.high, e.unit) for e in s.estimates) for s in samples],
              [sorted((*c.analytes, c.r) for c in s.correlations) for s in samples]]
    return np.random.default_rng(int.from_bytes(sha256(msgspec.json.encode(values)).digest()[:8]))


def draw(inputs: Inputs, rng: np.random.Generator, n: int = DRAWS) -> DrawnFeed:
    """Return ``n`` waters drawn from the estimates, without chemically impossible ones. Raises InputError."""
    drawn = _drawn(inputs, rng, n)
    drawn[MODEL], drawn[GAS] = rng.standard_normal((2, n))
    closed = balance_charge(_reading(drawn), strict=False)
    possible = np.flatnonzero(closed.possible)
    if possible.size < _LEAST_POSSIBLE * n:
        _refuse(inputs)
    drawn = {key: values[possible] for key, values in drawn.items()}
    feed = replace(_feed(closed.water.take(possible), drawn, inputs.measured),
                   variation=Variation(*rng.standard_normal((len(Variation._fields), possible.size))))
    return DrawnFeed(feed, drawn, closed.balance.percent[possible])


def _drawn(inputs: Inputs, rng: np.random.Generator, n: int) -> dict[str, Vector]:
    """Draws of each input by id, correlated as the values of one photograph are; one-sided values are independent."""
    ordered = sorted(inputs.estimates.items())
    plain = {key: rng.standard_normal(n) if e.two_sided else e.draw(n, rng) for key, e in ordered}
    normal = correlated({key: plain[key] for key, e in ordered if e.two_sided}, inputs.correlations)
    return {key: _within(key, e, e.at(normal[key]) if e.two_sided else plain[key]) for key, e in ordered}


#: Least eigenvalue of a matrix of correlations that is used; rounded correlations may contradict one another.
_LEAST_EIGENVALUE: Final = 1e-6


def correlated(normal: Mapping[str, Vector], correlations: Iterable[Correlation]) -> dict[str, Vector]:
    """Return independent standard normal draws (n,) by id with these correlations (Cholesky; JCGM 101:2008, C.5)."""
    pairs = [c for c in correlations if normal.keys() >= set(c.analytes)]
    ids = sorted({a for c in pairs for a in c.analytes})
    if not ids:
        return dict(normal)
    matrix = np.eye(len(ids))
    for c in pairs:
        i, j = (ids.index(a) for a in c.analytes)
        matrix[i, j] = matrix[j, i] = c.r
    least = float(np.linalg.eigvalsh(matrix)[0])
    shrunk = max(0.0, (_LEAST_EIGENVALUE - least) / (1 - least)) if least < 1 else 0.0
    root = np.linalg.cholesky((1 - shrunk) * matrix + shrunk * np.eye(len(ids)))
    return {**normal, **dict(zip(ids, root @ np.stack([normal[a] for a in ids]), strict=True))}


def central(inputs: Inputs) -> Feed:
    """Return the water of the central values, arrays (1,)."""
    values = {key: np.array([e.value]) for key, e in inputs.estimates.items()} | {MODEL: np.zeros(1), GAS: np.zeros(1)}
    closed = balance_charge(_reading(values), strict=True)
    return _feed(closed.water, values, inputs.measured)


def _within(key: str, estimate: Estimate, draws: Vector) -> Vector:
    """Draws limited to what is physically possible: no negative amount, no fraction above one."""
    most = 1.0 if key == CALCIUM_FRACTION else np.inf
    return np.clip(draws, min(0.0, estimate.low), most)


def _reading(values: dict[str, Vector]) -> WaterReading:
    ions = {key: values[key] for key in _MEASURED_IONS if key in values}
    return WaterReading(
        hardness=values["hardness"], calcium_fraction=values[CALCIUM_FRACTION], alkalinity=values["alkalinity"],
        ph=values["ph"], chloride=values["chloride"], sample_temperature=values["temperature"], **ions)


def _feed(water: Water, values: dict[str, Vector], known: frozenset[str]) -> Feed:
    solved = SpeciationCache(water, values[MODEL])
    ec = values["conductivity"] if "conductivity" in known else solved.conductivity()
    total = values.get("total-chlorine", values["chlorine"])
    chloramine = np.maximum(total - values["chlorine"], 0.0)
    return Feed(water=water, ph=values["ph"], temperature=values["temperature"], free_chlorine=values["chlorine"],
                chloramine=chloramine, conductivity=ec, model_error=values[MODEL], gas_error=values[GAS],
                sulfate_known="sulfate" in known, solved=solved)


def _refuse(inputs: Inputs) -> NoReturn:
    """Raise the error of the central values, or a general one if only their uncertainty makes them impossible."""
    central(inputs)
    raise InputError("the values contradict each other: hardly any water can have this combination", where="the values",
                     found=", ".join(f"{e.analyte} {e.value:.3g} {e.unit}" for e in inputs.estimates.values()),
                     remedy="measure pH and alkalinity again")
