"""Printable pages of a preparation: the preparation sheet, and labels for bottles and photographs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import segno
from markupsafe import Markup

from calibration.labels import Label, label_text
from calibration.standards_plan.export import written
from calibration.standards_plan.instructions import cautions, grades, order_of_work, remarks
from calibration.standards_plan.preparation import Chemistry, Preparation, Solution, Value, chemistry
from calibration.standards_plan.salts import IONS, charge
from calibration.standards_plan.stock import DilutedStock, HypochloriteStock, Stock, WeighedStock
from calibration.standards_plan.uncertainty import nominal
from shared.analytes import ANALYTES
from shared.files import write_whole
from shared.notation import rounded, significant
from stripread.report.render import rendered

#: Error correction level that recovers a quarter of a damaged code.
_ERROR_CORRECTION = "q"
#: Quiet zone around a code, modules (ISO/IEC 18004: four).
_QUIET = 4
#: Number of uncertainty components that are listed.
_PARTS = 2
#: A saturation index below this means that there is no calcium or no carbonate.
_NO_CALCITE = -5.0


@dataclass(frozen=True, slots=True)
class PreparedValueCells:
    """Value on the sheet; ``parts``: uncertainty components with their contributions to the variance in %."""

    name: str
    unit: str
    wanted: str
    value: str
    u: str
    source: str
    parts: str


@dataclass(frozen=True, slots=True)
class SolutionCells:
    """Rows of a solution: values, ions (mg/L), sum of charges (mmol/L), chemistry."""

    solution: Solution
    values: tuple[PreparedValueCells, ...]
    ions: tuple[str, ...]
    charge: str
    chemistry: Chemistry | None

    @property
    def saturation(self) -> str:
        """Saturation index of calcite, the higher of fresh and in equilibrium with air."""
        si = self.chemistry.si if self.chemistry else _NO_CALCITE
        return f"{si:+.1f}" if si > _NO_CALCITE else "none"


@dataclass(frozen=True, slots=True)
class Tag:
    """Printed label; ``code``: SVG, None for a stock."""

    title: str
    lines: tuple[str, ...]
    code: Markup | None
    chlorine: bool


def write_sheet(path: Path, made: Preparation) -> None:
    """Write the preparation sheet. Raises FileError where the file cannot be written."""
    write_whole(path, sheet_page(made))


def sheet_page(made: Preparation) -> bytes:
    """Return the preparation sheet as HTML."""
    found = chemistry(made.solutions, made.plan.temperature_c)
    ions = [i for i in IONS if any(i in s.ions_mg_l for s in made.solutions)]
    solutions = [_solution(s, found.get(s.id), ions=ions) for s in made.solutions]
    families = [(name, list(group)) for name, group in groupby(solutions, key=lambda c: c.solution.family)]
    return rendered("standards.html", {
        "plan": made.plan, "families": families, "ions": [IONS[i].shown for i in ions],
        "remarks": remarks(made, found), "steps": order_of_work(made),
        "cautions": cautions(made), "grades": grades(made)})


def write_labels(path: Path, preparation: Preparation) -> None:
    """Write the labels. Raises FileError where the file cannot be written."""
    write_whole(path, labels_page(preparation))


def labels_page(preparation: Preparation) -> bytes:
    """Return the labels for bottles and photographs as HTML."""
    return rendered("labels.html", {
        "plan": preparation.plan, "solutions": [_tag(s, preparation.plan.batch) for s in preparation.solutions],
        "stocks": [_stock_tag(s) for s in preparation.shelf.stocks.values()]})


def code(label: Label) -> segno.QRCode:
    """Return the QR code of a label (ISO/IEC 18004)."""
    return segno.make_qr(label_text(label), error=_ERROR_CORRECTION)


def _solution(solution: Solution, found: Chemistry | None, *, ions: Sequence[str]) -> SolutionCells:
    mg_l = solution.ions_mg_l
    total = charge({ion: float(mmol) for ion, mmol in solution.composition(nominal).items()})
    return SolutionCells(solution, tuple(_value(v) for v in solution.values),
                         tuple(significant(mg_l[i], 4) if mg_l.get(i) else "" for i in ions), rounded(total, 3), found)


def _value(value: Value) -> PreparedValueCells:
    number, u = written(*value.certified) if value.certified else ("", "")
    source = value.reference.method if value.reference else "prepared" if value.prepared else "not yet known"
    unit = "" if value.analyte == "ph" else value.unit
    return PreparedValueCells(
        ANALYTES[value.analyte].name,
        unit,
        "" if value.wanted is None else significant(value.wanted, 5),
        number,
        u,
        source,
        _parts(value),
    )


def _parts(value: Value) -> str:
    """Return the largest uncertainty components of a prepared value; a reference value has no components."""
    if value.prepared is None or value.prepared.u == 0 or value.reference is not None:
        return ""
    return "; ".join(f"{p.name} {100 * (p.u / value.prepared.u) ** 2:.0f} %" for p in value.prepared.parts[:_PARTS])


def _tag(solution: Solution, batch: str) -> Tag:
    lines = [f"{v.name} {v.value} {v.unit}".strip() + f", u {v.u}" for v in map(_value, solution.values) if v.value]
    svg = code(Label(solution.id, batch)).svg_inline(border=_QUIET, omitsize=True, light="white")
    return Tag(solution.id, (solution.family, *lines), Markup(svg), "OCl" in solution.ions_mg_l)  # noqa: S704


def _stock_tag(stock: Stock) -> Tag:
    if isinstance(stock, WeighedStock):
        what = f"{stock.substance.formula} {stock.order.strength_g_l:g} g/L, lot {stock.substance.lot.lot}"
    elif isinstance(stock, DilutedStock):
        what = f"{stock.draw.total_ml:g} ml of {stock.of.id} to {stock.made.flask.volume_ml:g} ml"
    elif isinstance(stock, HypochloriteStock):
        what = f"{stock.order.product}, lot {stock.order.lot}, {significant(stock.strength_mg_l, 4)} mg/L Cl2"
    else:
        what = ""
    return Tag(stock.id, (what,), None, "OCl" in stock.composition(nominal))
