"""A preparation for other programs: JSON, the standards table to fill with photographs, the sheet of aliquots."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from calibration.standards import CertifiedValue, StandardRow
from calibration.standards_plan.instructions import cautions, grades, order_of_work, remarks
from calibration.standards_plan.preparation import Chemistry, Preparation, Solution, Value, chemistry
from calibration.standards_plan.stock import DilutedStock, HypochloriteStock, Stock, WeighedStock
from shared.analytes import ANALYTES
from shared.notation import decimals_of, rounded
from shared.strip import StripType
from shared.tables import csv_text


def plan_json(preparation: Preparation) -> dict[str, Any]:
    """Everything the sheet shows, by plain names; amounts carry their unit in their name."""
    plan, found = preparation.plan, chemistry(preparation.solutions, preparation.plan.temperature_c)
    return {
        "title": plan.title, "batch": plan.batch, "temperature_c": plan.temperature_c,
        "stocks": [_stock(s) for s in preparation.shelf.stocks.values()],
        "solutions": [_solution(s, found.get(s.id)) for s in preparation.solutions],
        "remarks": [{"id": r.kind.id, "meaning": r.kind.meaning, "about": r.items, "action": r.kind.action}
                    for r in remarks(preparation, found)],
        "work": order_of_work(preparation),
        "cautions": cautions(preparation), "grades": grades(preparation),
    }


def _stock(stock: Stock) -> dict[str, Any]:
    known: dict[str, Any] = {"id": stock.id, "standardised": stock.standardised}
    if isinstance(stock, WeighedStock):
        return known | {"salt": stock.substance.formula, "lot": stock.substance.lot.lot, "flask": stock.made.flask.id,
                        "molar_mass_g_mol": stock.substance.molar_mass, "planned_g": stock.planned_mg / 1e3,
                        "weighed_g": stock.order.weighed_g}
    if isinstance(stock, DilutedStock):
        return known | {"of": stock.of.id, "take_ml": stock.draw.total_ml, "device": stock.draw.device.id,
                        "flask": stock.made.flask.id}
    if isinstance(stock, HypochloriteStock):
        return known | {"product": stock.order.product, "lot": stock.order.lot, "flask": stock.order.flask,
                        "take_ml": stock.order.take_ml, "chlorine_mg_l": stock.strength_mg_l}
    return known


def _solution(solution: Solution, chemistry_: Chemistry | None) -> dict[str, Any]:
    recipe = solution.recipe
    return {
        "id": solution.id, "family": solution.family, "role": solution.role,
        "flask": recipe.made.flask.id if recipe else None,
        "aliquots": [{"stock": a.stock.id, "device": a.draw.device.id, "fillings": a.draw.times,
                      "each_ml": a.draw.each_ml, "total_ml": a.draw.total_ml}
                     for a in (recipe.aliquots if recipe else ())],
        "values": [_value(v) for v in solution.values],
        "ions_mg_l": solution.ions_mg_l, "chemistry": chemistry_,
    }


def _value(value: Value) -> dict[str, Any]:
    certified = value.certified
    return {
        "analyte": value.analyte, "unit": value.unit, "wanted": value.wanted,
        "value": certified[0] if certified else None, "u": certified[1] if certified else None,
        "prepared": value.prepared, "reference": value.reference, "zeta": value.zeta,
    }


def standards_table(preparation: Preparation, strip: StripType) -> str:
    """The table `calibration.standards` reads, a row a photograph to take, with names for them proposed.

    Columns: the analytes of the strip that some solution states.
    """
    stated = {v.analyte for s in preparation.solutions for v in s.values}
    analytes = [pad.analyte for pad in strip.pads if pad.analyte in stated]
    header = ["photo", "standard", "role", "light", *(h for a in analytes for h in _header(a))]
    rows = [[f"{solution.id}-{light}{again}.jpg", solution.id, solution.role, light, *_cells(solution, analytes)]
            for solution in preparation.solutions for light in preparation.plan.lights for again in _again(preparation)]
    return csv_text([header, *rows])


def written_table(rows: Sequence[StandardRow], strip: StripType) -> str:
    """The table `calibration.standards` reads, from rows of photographs; names without their folders."""
    analytes = [pad.analyte for pad in strip.pads if any(pad.analyte in row.certified for row in rows)]
    header = ["photo", "standard", "role", "light", *(h for a in analytes for h in _header(a))]
    return csv_text([header, *([row.photo.name, row.standard, row.role, row.light, *(
        text for a in analytes for text in _exact(row.certified.get(a)))] for row in rows)])


def _exact(value: CertifiedValue | None) -> tuple[str, str]:
    return ("", "") if value is None else (f"{value.value:.12g}", f"{value.u:.12g}")


def aliquots_table(preparation: Preparation) -> str:
    """One row for each aliquot: stock, volume, flask and measuring device."""
    header = ["solution", "role", "flask", "flask [ml]", "stock", "device", "fillings", "each [ml]", "total [ml]"]
    return csv_text([header, *(row for solution in preparation.solutions for row in _aliquots(solution))])


def written(value: float, u: float) -> tuple[str, str]:
    """Value and standard uncertainty, this to two digits and that to the same place."""
    if u <= 0:
        return f"{value:.10g}", "0"
    places = decimals_of(u)
    return rounded(value, places), rounded(u, places)


def _header(analyte: str) -> tuple[str, str]:
    unit = "" if analyte == "ph" else f" [{ANALYTES[analyte].unit}]"
    return f"{analyte}{unit}", f"u({analyte}){unit}"


def _again(preparation: Preparation) -> Iterator[str]:
    yield ""
    yield from (f"-{n}" for n in range(2, preparation.plan.photographs_per_light + 1))


def _cells(solution: Solution, analytes: Iterable[str]) -> Iterator[str]:
    """Value and uncertainty of every analyte; uncertified values are empty."""
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
