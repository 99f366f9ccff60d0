"""The preparation as plain data, for JSON."""

from __future__ import annotations

from typing import Any

from calibration.standards_plan.cautions import cautions, grades
from calibration.standards_plan.chemistry import Chemistry, chemistry
from calibration.standards_plan.prepare import Preparation
from calibration.standards_plan.procedure import order_of_work
from calibration.standards_plan.solution import Solution, Value
from calibration.standards_plan.stock import DilutedStock, HypochloriteStock, Stock, WeighedStock
from calibration.standards_plan.warnings import remarks


def plan_json(made: Preparation) -> dict[str, Any]:
    """Everything the sheet shows, by plain names; amounts carry their unit in their name."""
    plan, found = made.plan, chemistry(made.solutions, made.plan.temperature_c)
    return {
        "title": plan.title, "batch": plan.batch, "temperature_c": plan.temperature_c,
        "stocks": [_stock(s) for s in made.shelf.stocks.values()],
        "solutions": [_solution(s, found.get(s.id)) for s in made.solutions],
        "remarks": [{"id": r.kind.id, "meaning": r.kind.meaning, "about": r.items, "action": r.kind.action}
                    for r in remarks(made, found)],
        "work": order_of_work(made),
        "cautions": cautions(made), "grades": grades(made),
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
