"""List of strip batches with the state of their charts, and the control charts of check standards."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final, Literal, get_args
from urllib.parse import quote

import msgspec
from starlette.responses import Response

from calibration.control import control_charts
from shared.decoders import from_json
from shared.errors import InputError
from shared.strip import default_strip
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.check_standards import for_control
from stripread.intake.standards import register_strip_batch
from stripread.report.control_plot import control_plot
from stripread.store.models.materials import Batch
from stripread.store.models.record import validation_message
from stripread.web.batches_view import STATES, BatchLine, batch_lines
from stripread.web.listing import ROWS, choice, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext

Order = Literal["expiry", "name"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)


def show(request: RequestContext) -> Response:
    """Return a page of the list, or the whole of it as a file."""
    return _shown(request)


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    found = _filtered(request)
    if downloads(request):
        return csv_file("batches", _table(found))
    first = page_number(request) * ROWS
    return page(
        request, "batches.html", status=status, wrong=wrong, address=list_address(request),
        lines=found[first:first + ROWS], states=STATES, orders=_ORDERS,
        today=request.store.clock().date(), further=page_number(request) + 1 if len(found) > first + ROWS else "")


def add(request: RequestContext) -> Response:
    """Record a new strip batch of the supplied strip type, and go to its standards."""
    name, keeps = request.field("batch").strip(), request.field("keeps").strip()
    try:
        made = from_json(msgspec.json.encode({
            "id": name, "strip": default_strip().name, "expires": request.field("expires") or None,
            "keeps_days": int(keeps) if keeps.isascii() and keeps.isdigit() else None}), Batch)
        register_strip_batch(request.store, request.account, made)
    except msgspec.ValidationError as error:
        return _shown(request, status=422, wrong=request.app.messages("batches.wrong", why=validation_message(error)))
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go(f"/batches/{quote(name)}/standards")


def control(request: RequestContext) -> Response:
    """Return the drawing of the control charts of one batch."""
    charts = control_charts(for_control(request.store), request.query("batch"))
    return Response(control_plot(charts), media_type="image/svg+xml")


def _filtered(request: RequestContext) -> list[BatchLine]:
    """Return the batches under the filters of the address; without an order, the latest expiry date first."""
    typed, state = request.query("search").strip().casefold(), choice(request, "state", STATES)
    store, order = request.store, choice(request, "sort", _ORDERS)
    batches = [b for b in store.find(Batch) if typed in f"{b.id} {b.strip}".casefold()]
    found = [line for line in batch_lines(store, request.access, batches) if state in (None, line.state)]
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
