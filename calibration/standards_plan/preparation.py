"""The whole preparation: a plan's file resolved into stocks and solutions, their values and their chemistry."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt
from pathlib import Path

import numpy as np

from calibration.standards_plan.file import Buffer, Family, PlanFile, Reference, read_plan
from calibration.standards_plan.inventory import Shelf, by_id, find, shelf
from calibration.standards_plan.recipe import Recipe, Row, Wish, recipe, rows
from calibration.standards_plan.salts import COUNTS, IONS, Composition, amount, water
from calibration.standards_plan.stock import add
from calibration.standards_plan.uncertainty import At, PreparedValue, Source, nominal, propagate
from shared.analytes import ANALYTES
from shared.errors import FileError
from shared.estimate import Part
from shared.files import read_bytes
from shared.quantities import convert
from shared.water import Vector, ccpp, ccpp_open, open_to_air, speciate


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """A reference value in the analyte's own unit, and how it was found."""

    value: float
    u: float
    method: str


@dataclass(frozen=True, slots=True)
class Value:
    """``wanted`` and ``prepared`` in the analyte's own unit; ``prepared`` is None where it is not known yet."""

    analyte: str
    unit: str
    wanted: float | None
    prepared: PreparedValue | None
    reference: ReferenceValue | None

    @property
    def certified(self) -> tuple[float, float] | None:
        """Value and standard uncertainty to calibrate with: the reference takes precedence over the preparation."""
        best = self.reference or self.prepared
        return None if best is None else (best.value, best.u)

    @property
    def zeta(self) -> float | None:
        """Reference less preparation over the standard uncertainty of the difference (a zeta score, ISO 13528)."""
        if self.reference is None or self.prepared is None:
            return None
        return (self.reference.value - self.prepared.value) / float(np.hypot(self.reference.u, self.prepared.u))


@dataclass(frozen=True, slots=True)
class Solution:
    """``recipe`` or ``buffer``: made here or bought. ``family``: what it is for, in words; ``group``: its id."""

    id: str
    family: str
    role: str
    values: tuple[Value, ...]
    group: str = ""
    recipe: Recipe | None = None
    buffer: Buffer | None = None

    def composition(self, at: At) -> Composition:
        """mmol/L of each ion its salts brought; of a buffer only its manufacturer knows."""
        return mixed(self.recipe, at) if self.recipe else {}

    @property
    def ions_mg_l(self) -> dict[str, float]:
        """mg/L of each ion."""
        return {ion: float(mmol) * IONS[ion].molar_mass for ion, mmol in self.composition(nominal).items()}

    def value(self, analyte: str) -> Value | None:
        """The values of an analyte."""
        return next((v for v in self.values if v.analyte == analyte), None)


def mixed(recipe: Recipe, at: At) -> Composition:
    """mmol/L of each ion in a flask of aliquots."""
    litres = recipe.made.litres(at)
    parts = {}
    for aliquot in recipe.aliquots:
        name = f"{aliquot.stock.id} to {recipe.made.what}"
        share = aliquot.draw.measured(at, name) / 1e3 / litres
        parts[name] = {ion: share * mmol for ion, mmol in aliquot.stock.composition(at).items()}
    return add(parts)


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Of one solution: pH and calcite's saturation index as made and in air; ``calcite_mg_l``: the most of it."""

    ph_made: float
    ph_air: float
    si_made: float
    si_air: float
    calcite_mg_l: float

    @property
    def drift(self) -> float:
        """Change of pH from fresh to in equilibrium with air."""
        return self.ph_air - self.ph_made

    @property
    def si(self) -> float:
        """The higher saturation index."""
        return max(self.si_made, self.si_air)


def chemistry(solutions: Sequence[Solution], t_c: float) -> dict[str, Chemistry]:
    """By id, of the solutions made of salts, at ``t_c`` (°C)."""
    made = [s for s in solutions if s.recipe is not None]
    if not made:
        return {}
    held = [s.composition(nominal) for s in made]
    together = water({ion: np.array([float(c.get(ion, 0.0)) for c in held]) for ion in IONS})
    air = open_to_air(together, t_c)
    fresh, aired = speciate(together, t_c), speciate(air, t_c)
    calcite = np.maximum(np.maximum(ccpp(together, t_c), ccpp_open(together, t_c)), 0.0)
    columns = (fresh.ph, aired.ph, fresh.si_calcite, aired.si_calcite, calcite)
    return {s.id: Chemistry(*(float(c[i]) for c in columns)) for i, s in enumerate(made)}


@dataclass(frozen=True, slots=True)
class Preparation:
    """Everything to weigh, measure and mix, and the resulting solutions."""

    plan: PlanFile
    shelf: Shelf
    solutions: tuple[Solution, ...]


def prepare(path: Path) -> Preparation:
    """The preparation a plan describes. Raises FileError naming file, key, what was found and what is allowed."""
    return prepared(read_bytes(path), str(path))


def prepared(data: bytes, where: str) -> Preparation:
    """The preparation that a plan's text describes; ``where`` names its source in messages, as in `prepare`."""
    plan = read_plan(data, where)
    made = shelf(plan, where=where)
    blanks = _blanks(plan, where=where)
    solutions = [s for i, family in enumerate(plan.families)
                 for s in _family(family, made, blanks=blanks, where=f"{where}: family[{i}]")]
    solutions += [_buffer(buffer, plan) for buffer in plan.buffers]
    if not solutions:
        raise FileError("the plan contains no solutions", where=where, allowed="at least one [[family]] or [[buffer]]")
    named = by_id("solution", solutions, where=where)
    for i, reference in enumerate(plan.references):
        here = f"{where}: reference[{i}]"
        named[reference.solution] = _referred(find(named, reference.solution, where=f"{here}.solution"), reference,
                                              where=here)
    return Preparation(plan, made, tuple(named.values()))


def _blanks(plan: PlanFile, *, where: str) -> dict[str, Source]:
    """Concentration of each analyte in the deionised water, in the analyte's unit."""
    found = {}
    for analyte, blank in plan.blanks.items():
        here = f"{where}: blank.{analyte}"
        if analyte not in COUNTS:
            raise FileError("levels of this analyte cannot be made from salts", where=here, found=analyte,
                            allowed=", ".join(COUNTS))
        value = convert(blank.value, analyte, unit=blank.unit, where=here)
        found[analyte] = Source(f"{ANALYTES[analyte].name} of the water itself", value,
                                convert(blank.u, analyte, unit=blank.unit, where=here), "normal")
    return found


def _family(family: Family, shelf: Shelf, *, blanks: dict[str, Source], where: str) -> Iterator[Solution]:
    stocks = [find(shelf.stocks, name, where=f"{where}.stocks") for name in family.stocks]
    known = {analyte: source.value for analyte, source in blanks.items()}
    for n, row in enumerate(rows(family, where=where), 1):
        name = f"{family.id}{n:02d}"
        flask = shelf.flask_for(family.flask, name, where=f"{where}.flask")
        wish = Wish(row, family.calcium_share, known, flask)
        mixture = recipe(wish, stocks, shelf=shelf, where=f"{where}, {name}")
        yield Solution(name, family.name or _named(family), family.role, _values(row, mixture, blanks=blanks),
                       group=family.id, recipe=mixture)


def _named(family: Family) -> str:
    return " and ".join(ANALYTES[a].name for a in family.levels)


def _values(row: Row, mixture: Recipe, *, blanks: dict[str, Source]) -> tuple[Value, ...]:
    return tuple(Value(a, ANALYTES[a].unit, wanted, _prepared(a, mixture, blanks=blanks), None)
                 for a, wanted in row.items())


def _prepared(analyte: str, mixture: Recipe, *, blanks: dict[str, Source]) -> PreparedValue | None:
    """The value as prepared; None where a stock not yet standardised has a part in it."""
    blank = blanks.get(analyte, Source("nothing", 0.0, 0.0, "normal"))

    def model(at: At) -> Vector:
        return amount(mixed(mixture, at), analyte) + at(blank)

    uncertain = (a.stock for a in mixture.aliquots if not a.stock.standardised)
    if any(float(amount(stock.composition(nominal), analyte)) > 0 for stock in uncertain):
        return None
    return propagate(model)


def _buffer(buffer: Buffer, plan: PlanFile) -> Solution:
    """A bought buffer: its tolerance, and its pH at a temperature that is a little off."""
    parts = [Part(name="tolerance of the buffer", u=buffer.tolerance / sqrt(3), shared=True),
             Part(name="temperature", u=abs(buffer.ph_per_k) * plan.temperature_tolerance_k / sqrt(3), shared=True)]
    ph = PreparedValue(buffer.ph, hypot(*(p.u for p in parts)), tuple(p for p in parts if p.u > 0))
    value = Value("ph", ANALYTES["ph"].unit, buffer.ph, ph, None)
    return Solution(buffer.id, "buffers of known pH", buffer.role, (value,), buffer=buffer)


def _referred(solution: Solution, reference: Reference, *, where: str) -> Solution:
    """The solution with a value found by titration or a laboratory."""
    analyte = ANALYTES[reference.analyte]
    value, u = (convert(number, analyte.id, unit=reference.unit, where=f"{where}.{key}")
                for key, number in (("value", reference.value), ("u", reference.u)))
    before = solution.value(analyte.id) or Value(analyte.id, analyte.unit, None, None, None)
    if before.reference is not None:
        raise FileError("two reference values for one analyte of a solution", where=where,
                        found=f"{analyte.id} of {solution.id}",
                        allowed="one", remedy="combine them into one value with its uncertainty")
    after = replace(before, reference=ReferenceValue(value, u, reference.method))
    others = {v.analyte: v for v in solution.values}
    return replace(solution, values=tuple((others | {analyte.id: after}).values()))
