"""Instructions for the laboratory: the order of work, each step as a sentence; cautions and remarks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from calibration.standards_plan.glassware import Draw
from calibration.standards_plan.preparation import Chemistry, Preparation, Solution
from calibration.standards_plan.stock import DilutedStock, HypochloriteStock, Stock, WeighedStock
from shared.analytes import ANALYTES
from shared.notation import significant

_MIXING: Final = ("Half fill the flask with water, add the aliquots in this order, mixing after each, make up to the "
                  "mark, invert 15 times, and pour into the labelled bottle.")


@dataclass(frozen=True, slots=True)
class Step:
    """``lines`` are ticked off one by one; ``note`` applies to all of them."""

    title: str
    note: str
    lines: tuple[str, ...]


def order_of_work(preparation: Preparation) -> tuple[Step, ...]:
    """Stable stocks first, then the solutions made from them, unstable ones last; each step has a line."""
    stocks = list(preparation.shelf.stocks.values())
    fading = [s for s in stocks if _fades(s)]
    steps = (
        Step("Preparation", "", tuple(_ready(preparation))),
        Step("Stock solutions", "Dissolve in half the flask's volume, then make up to the mark and invert 15 times.",
             tuple(_making(s) for s in stocks if s not in fading)),
        *_mixing(preparation, fading=False),
        Step("Hypochlorite, on the day it is used",
             "NEVER use it near acids. Titrate first: its concentration is unknown "
             "until then.", tuple(line for s in fading for line in _chlorine(s))),
        *_mixing(preparation, fading=True),
        Step("Buffers", "Pour out a fresh portion of each buffer. Never pour it back.",
             tuple(f"{s.id}: pH {s.buffer.ph:g}, lot {s.buffer.lot}" for s in preparation.solutions if s.buffer)),
        Step("Photograph", "Lay the label of the solution next to the card, and include it in the picture.",
             tuple(_photographs(preparation))),
    )
    return tuple(step for step in steps if step.lines)


def measured(draw: Draw, stock: str) -> str:
    """An aliquot in words: "5.78 ml of magnesium (2 x 2.89 ml, P5-1)"."""
    each, total = draw.written()
    times = f"{draw.times} x {each} ml, " if draw.times > 1 else ""
    return f"{total} ml of {stock} ({times}{draw.device.id})"


def _fades(stock: Stock) -> bool:
    if isinstance(stock, DilutedStock):
        return _fades(stock.of)
    return isinstance(stock, HypochloriteStock)


def _ready(preparation: Preparation) -> Iterator[str]:
    plan = preparation.plan
    yield (f"Bring water, stocks and glassware to room temperature: {plan.temperature_c:g} °C ± "
           f"{plan.temperature_tolerance_k:g} K.")
    yield "Rinse every flask and pipette with water, then each pipette with the solution that it will measure."
    if any(_fades(s) for s in preparation.shelf.stocks.values()):
        yield ("Soak the glassware for chlorine in dilute hypochlorite solution for an hour and rinse it to remove "
               "residues that consume chlorine.")
    yield "Print the labels and put one on every bottle before it is filled."


def _making(stock: Stock) -> str:
    if isinstance(stock, WeighedStock):
        lot, done = stock.substance.lot, stock.order.weighed_g
        mass = f"{stock.planned_mg / 1e3:.4f} g" if done is None else f"{done:.4f} g (weighed)"
        return (f"{stock.id}: {mass} of {stock.substance.formula}, lot {lot.lot}, on {stock.balance.id}, "
                f"to {stock.made.flask.volume_ml:g} ml in {stock.made.flask.id}. Weighed: ________ g")
    if isinstance(stock, DilutedStock):
        return (f"{stock.id}: {measured(stock.draw, stock.of.id)} to {stock.made.flask.volume_ml:g} ml "
                f"in {stock.made.flask.id}")
    raise TypeError(f"{stock.id} is made by an unknown procedure")


def _chlorine(stock: Stock) -> Iterator[str]:
    if not isinstance(stock, HypochloriteStock):
        yield _making(stock)
        return
    order = stock.order
    yield f"{stock.id}: {order.take_ml:g} ml of {order.product}, lot {order.lot}, made up in {order.flask}"
    if stock.titrated is None:
        yield (f"Titrate {stock.id} three times with thiosulfate (iodometric). About {order.expected_mg_l:g} mg/L Cl2 "
               "is expected. Titres: ________ ________ ________ ml, blank: ________ ml. "
               "Enter them in the plan and run the command again to get the volumes below.")
    else:
        yield f"{stock.id} was titrated: {significant(stock.strength_mg_l, 4)} mg/L Cl2. The volumes below use it."


def _mixing(preparation: Preparation, *, fading: bool) -> Iterator[Step]:
    """A step for each family with or without fading stocks, its solutions in order of concentration."""
    for family in preparation.plan.families:
        if any(_fades(preparation.shelf.stocks[name]) for name in family.stocks) == fading:
            solutions = [s for s in preparation.solutions if s.group == family.id]
            title = solutions[0].family
            yield Step(title[:1].upper() + title[1:], _MIXING, tuple(_line(s) for s in solutions))


def _line(solution: Solution) -> str:
    if solution.recipe is None:
        raise TypeError(f"{solution.id} is mixed by an unknown procedure")
    flask = solution.recipe.made.flask
    parts = " + ".join(measured(a.draw, a.stock.id) for a in solution.recipe.aliquots) or "water alone"
    return f"{solution.id}: {parts}, to {flask.volume_ml:g} ml in {flask.id}"


def _photographs(preparation: Preparation) -> Iterator[str]:
    plan, names = preparation.plan, [s.id for s in preparation.solutions]
    each = f"{plan.photographs_per_light} under each light: {', '.join(plan.lights)}"
    yield f"{len(names)} solutions, {each}. Use a new strip each time; dip and photograph it within its reading time."
    yield "Name the photographs as in standards.csv, or enter their names there; delete rows without a photograph."


#: In the phrasing of safety data sheets (GHS precautionary statements P260 to P405; EUH031, EUH206).
_ALWAYS: Final = (
    "Chemicals can injure eyes and skin: wear safety goggles, gloves and a lab coat.",
    "Read the safety data sheet of each product before you open it.",
    "Label every bottle and flask at once with content, concentration, date and name. Do not use unlabelled solutions.",
    "Standard solutions are not fit to drink: keep them away from food, kitchens, machines and cups.",
    "Laboratory glassware contaminates food: treat anything that has been in contact with it as a chemical.",
    "Dispose of solutions according to local regulations. The rules of your laboratory take precedence.",
)
_HYPOCHLORITE: Final = (
    "NEVER mix hypochlorite with acids, cleaning agents, buffers or samples. It releases toxic chlorine gas.",
    "If chlorine gas is released: leave the room at once, move exposed persons to fresh air and get medical help.",
    "Open hypochlorite only in a well-ventilated area, preferably in a fume hood, away from acids, ammonia and metals.",
    "Hypochlorite causes burns and eye damage. On contact, take off contaminated clothing.",
    "Rinse skin or eyes with plenty of water for at least 15 minutes and get medical help.",
    "Titration: add acid only to the portion that contains potassium iodide, in a fume hood, as the method states.",
    "Titration waste is acidic: NEVER pour it into hypochlorite waste.",
)
_FOOD_GRADE: Final = "Dose drinking water only with food-grade salts and equipment, never with this glassware."


def cautions(preparation: Preparation) -> tuple[str, ...]:
    """The cautions that apply, the most severe first."""
    chlorine = any(isinstance(s, HypochloriteStock) for s in preparation.shelf.stocks.values())
    return (*(_HYPOCHLORITE if chlorine else ()), *_ALWAYS)


def grades(preparation: Preparation) -> tuple[str, ...]:
    """Which salts are food grade and which are not, in words."""
    food = [f"{s.formula} ({s.lot})" for s in preparation.plan.salts if s.food_grade]
    other = [f"{s.formula} ({s.lot})" for s in preparation.plan.salts if not s.food_grade]
    other += [f"{h.product} ({h.lot})" for h in preparation.plan.hypochlorites]
    other += [f"buffer pH {b.ph:g} ({b.lot})" for b in preparation.plan.buffers]
    edible = [f"Food grade: {', '.join(food)}. {_FOOD_GRADE}"] if food else []
    return (*edible, *([f"Not food grade: {', '.join(other)}. Do not use in drinking water."] if other else []))


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of remark: what it means and what to do, the same on page, terminal and in JSON."""

    id: str
    meaning: str
    action: str


KINDS: Final[dict[str, Kind]] = {k.id: k for k in (
    Kind("not-reached", "The stocks cannot give these levels together with the others.",
         ("The nearest possible level is planned, and its value is the reference. Another salt or "
          "calcium_share may reach the level.")),
    Kind("not-standardised", "The hypochlorite has not been titrated.",
         ("Titrate it on the day, enter the titres in the plan and run the command again. Until then these "
          "values are unknown.")),
    Kind("too-light", "The mass is below the smallest that the plan states for the balance.",
         "Make a more concentrated stock or more of it, and dilute it with a [[dilution]]."),
    Kind("no-blank", "The concentration in the deionised water is not stated.",
         "Measure it and add it to [blank]: without it a level of 0 has no uncertainty of its own."),
    Kind("calcite", "Calcite can precipitate: the solution is supersaturated.",
         ("Mix it last, on the day of use. Keep it closed and cool, photograph within the hour, and discard "
          "it if it turns cloudy.")),
    Kind("ph-drift", "In contact with air the pH drifts.",
         ("Fill bottles to the brim and close them; the pH is a reference value only if you measure it when "
          "you dip the strip.")),
    Kind("hypochlorite-fades", "Free chlorine decays.",
         ("Use the solution within two hours, in dark glass that was rinsed with a chlorine solution (common "
          "practice, no source).")),
    Kind("weak-alkalinity", "The alkalinity is so low that glass, air and traces of acid change it.",
         "Make the solution on the day of use, in plastic rather than glass (common practice, no source)."),
    Kind("disagrees", "The measured and the prepared value differ by more than their uncertainties explain.",
         "The measured value is used. Find out which is wrong before you rely on the solution."),
)}

#: Difference in pH between fresh and aired solution from which it is reported: half of what strips usually resolve.
_DRIFT: Final = 0.2
#: mg/L CaCO3; below it an alkalinity is not stable. Common practice, no source.
_WEAK: Final = 20.0
#: Beyond it two values disagree (the usual bound of a zeta score, ISO 13528; from memory).
_ZETA: Final = 2.0


@dataclass(frozen=True, slots=True)
class Remark:
    """A kind of remark and the items that it concerns."""

    kind: Kind
    items: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The remark as one line."""
        return f"{self.kind.meaning} {'; '.join(self.items)}. {self.kind.action}"


def remarks(preparation: Preparation, chemistry: Mapping[str, Chemistry]) -> tuple[Remark, ...]:
    """The remarks that apply to the plan, in the order of `KINDS`."""
    found: dict[str, list[str]] = {kind: [] for kind in KINDS}
    for solution in preparation.solutions:
        for kind, item in _of_solution(solution, chemistry.get(solution.id)):
            found[kind].append(item)
    for kind, item in _of_bench(preparation):
        found[kind].append(item)
    return tuple(Remark(KINDS[kind], tuple(items)) for kind, items in found.items() if items)


def _of_bench(preparation: Preparation) -> Iterator[tuple[str, str]]:
    for stock in preparation.shelf.stocks.values():
        if isinstance(stock, WeighedStock) and stock.mass_mg < stock.balance.smallest_mg:
            yield "too-light", f"{stock.id}: {stock.mass_mg:g} mg, at least {stock.balance.smallest_mg:g} mg"
    wanted = dict.fromkeys(a for family in preparation.plan.families for a in family.levels)
    yield from (("no-blank", ANALYTES[a].name) for a in wanted if a not in preparation.plan.blanks)


def _of_solution(solution: Solution, chemistry: Chemistry | None) -> Iterator[tuple[str, str]]:
    yield from _of_values(solution)
    if chemistry is None:
        return
    ions = solution.ions_mg_l
    if chemistry.si > 0:
        yield "calcite", (f"{solution.id}: saturation index {chemistry.si_made:+.1f} fresh, {chemistry.si_air:+.1f} "
                          f"in air, at most {chemistry.calcite_mg_l:.0f} mg/L CaCO3")
    if ions.get("HCO3", 0.0) > 0 and abs(chemistry.drift) > _DRIFT:
        yield "ph-drift", f"{solution.id}: {chemistry.ph_made:.1f} to {chemistry.ph_air:.1f}"
    if ions.get("OCl", 0.0) > 0:
        yield "hypochlorite-fades", solution.id


def _of_values(solution: Solution) -> Iterator[tuple[str, str]]:
    if solution.recipe is not None:
        for m in solution.recipe.missed:
            unit = ANALYTES[m.analyte].unit if m.analyte in ANALYTES else "mg/L CaCO3"
            yield "not-reached", (f"{solution.id}: {m.analyte} {m.wanted:g}, the {m.which} is "
                                  f"{significant(m.reached)} {unit}")
    if any(value.certified is None for value in solution.values):
        yield "not-standardised", solution.id
    for value in solution.values:
        if value.zeta is not None and abs(value.zeta) > _ZETA and value.reference and value.prepared:
            yield "disagrees", (f"{solution.id} {value.analyte}: reference {significant(value.reference.value, 4)}, "
                                f"prepared {significant(value.prepared.value, 4)}, zeta {value.zeta:+.1f}")
        level = value.certified[0] if value.certified else value.wanted
        if value.analyte == "alkalinity" and level is not None and level < _WEAK:
            yield "weak-alkalinity", solution.id
