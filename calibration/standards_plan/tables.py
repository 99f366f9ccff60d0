"""The preparation as CSV: the standards table to fill with photographs, and the sheet of aliquots."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from calibration.standards_plan.prepare import Preparation
from calibration.standards_plan.solution import Solution
from shared.analytes import ANALYTES
from shared.notation import decimals_of, rounded
from shared.strip import StripType
from shared.tables import csv_text


def standards_table(made: Preparation, strip: StripType) -> str:
    """The table `calibration.standards` reads, a row a photograph to take, with names for them proposed.

    Columns: the analytes of the strip that some solution states.
    """
    stated = {v.analyte for s in made.solutions for v in s.values}
    analytes = [pad.analyte for pad in strip.pads if pad.analyte in stated]
    header = ["photo", "standard", "role", "light", *(h for a in analytes for h in _header(a))]
    rows = [[f"{solution.id}-{light}{again}.jpg", solution.id, solution.role, light, *_cells(solution, analytes)]
            for solution in made.solutions for light in made.plan.lights for again in _again(made)]
    return csv_text([header, *rows])


def aliquots_table(made: Preparation) -> str:
    """A row an aliquot: what goes into which flask, with what it is measured."""
    header = ["solution", "role", "flask", "flask [ml]", "stock", "device", "fillings", "each [ml]", "total [ml]"]
    return csv_text([header, *(row for solution in made.solutions for row in _aliquots(solution))])


def written(value: float, u: float) -> tuple[str, str]:
    """Value and standard uncertainty, this to two digits and that to the same place."""
    if u <= 0:
        return f"{value:.10g}", "0"
    places = decimals_of(u)
    return rounded(value, places), rounded(u, places)


def _header(analyte: str) -> tuple[str, str]:
    unit = "" if analyte == "ph" else f" [{ANALYTES[analyte].unit}]"
    return f"{analyte}{unit}", f"u({analyte}){unit}"


def _again(made: Preparation) -> Iterator[str]:
    yield ""
    yield from (f"-{n}" for n in range(2, made.plan.photographs_per_light + 1))


def _cells(solution: Solution, analytes: Iterable[str]) -> Iterator[str]:
    """Value and uncertainty of every analyte; what is not certified stays empty."""
    for analyte in analytes:
        value = solution.value(analyte)
        yield from written(*value.certified) if value and value.certified else ("", "")


def _aliquots(solution: Solution) -> Iterator[list[str]]:
    if solution.recipe is None:
        return
    flask = solution.recipe.made.flask
    start = [solution.id, solution.role, flask.id, f"{flask.volume_ml:g}"]
    if not solution.recipe.aliquots:
        yield [*start, "water alone", "", "", "", ""]
    for a in solution.recipe.aliquots:
        yield [*start, a.stock.id, a.draw.device.id, str(a.draw.times), *a.draw.written()]
