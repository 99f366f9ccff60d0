"""List of strip batches with the state of their charts, and the control charts of check standards."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final, Literal, get_args

from starlette.responses import Response

from calibration.control import control_charts
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.check_standards import for_control
from stripread.report.control_plot import control_plot
from stripread.store.models.materials import Batch
from stripread.web.batches_view import STATES, BatchLine, batch_lines
from stripread.web.listing import ROWS, choice, csv_file, downloads, list_address, page_number
from stripread.web.rendering import page
from stripread.web.request import RequestContext

Order = Literal["expiry", "name"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)


def show(ask: RequestContext) -> Response:
    """Return a page of the list, or the whole of it as a file."""
    found = _filtered(ask)
    if downloads(ask):
        return csv_file("batches", _table(found))
    first = page_number(ask) * ROWS
    return page(
        ask, "batches.html", address=list_address(ask), lines=found[first:first + ROWS], states=STATES, orders=_ORDERS,
        today=ask.house.store.clock().date(), further=page_number(ask) + 1 if len(found) > first + ROWS else "")


def control(ask: RequestContext) -> Response:
    """Return the drawing of the control charts of one batch."""
    charts = control_charts(for_control(ask.house.store), ask.query("batch"))
    return Response(control_plot(charts), media_type="image/svg+xml")


def _filtered(ask: RequestContext) -> list[BatchLine]:
    """Return the batches under the filters of the address; without an order, the latest expiry date first."""
    typed, state = ask.query("search").strip().casefold(), choice(ask, "state", STATES)
    store, order = ask.house.store, choice(ask, "sort", _ORDERS)
    batches = [b for b in store.find(Batch) if typed in f"{b.id} {b.strip}".casefold()]
    found = [line for line in batch_lines(store, ask.access, batches) if state in (None, line.state)]
    if order == "name":
        return found
    return sorted(found, key=lambda line: line.batch.expires or date.max, reverse=True)


def _table(lines: Sequence[BatchLine]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "batch", "strip", "chart", "state", "released until", "expires", "open tubes", "tubes", "readings"))
    return ReadingsTable(columns, tuple(_row(line) for line in lines))


def _row(line: BatchLine) -> tuple[str | None, ...]:
    return (line.batch.id, line.batch.strip, line.chart.id if line.chart else None, line.state,
            line.until.isoformat() if line.until else None,
            line.batch.expires.isoformat() if line.batch.expires else None,
            str(line.in_use), str(len(line.tubes)), str(line.readings))
