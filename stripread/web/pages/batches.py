"""Strip batches: list with the state of their charts, and the page of one: gate, fit, checks, tubes, releases."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from urllib.parse import quote

import msgspec
from starlette.responses import Response

from calibration.chart import Chart
from calibration.checks import Check
from calibration.control import control_charts
from shared.decoders import from_json
from shared.errors import InputError
from shared.strip import default_strip
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.qualification import check_pairs, release_chart, withdraw_chart
from stripread.intake.standards import for_control, register_strip_batch, standards_of
from stripread.reading.calibrate import judge
from stripread.report.calibration_text import validity
from stripread.report.control_plot import control_plot
from stripread.report.figures.quality import control_figures, level_errors
from stripread.report.figures.window import tone
from stripread.review.session import give_a_reason
from stripread.review.withdrawal_impact import WithdrawalImpact, withdrawal_impact
from stripread.store.models.materials import Batch
from stripread.store.models.record import validation_message
from stripread.store.sign_ins import names_of
from stripread.web.batches_view import (
    STATES,
    BatchLine,
    batch_lines,
    check_summaries,
    compared_with_previous,
    gate_lines,
    number,
)
from stripread.web.listing import BATCH_ORDERS, ROWS, chosen_batches, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext


def show(request: RequestContext) -> Response:
    """Return a page of the list, or the whole of it as a file."""
    return _shown(request)


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    found = chosen_batches(request)
    if downloads(request):
        return csv_file("batches", _table(found))
    first = page_number(request) * ROWS
    return page(
        request, "batches.html", status=status, wrong=wrong, address=list_address(request),
        lines=found[first:first + ROWS], states=STATES, orders=BATCH_ORDERS,
        today=request.store.clock().date(), further=page_number(request) + 1 if len(found) > first + ROWS else "")


def add(request: RequestContext) -> Response:
    """Record a new strip batch, and go to its standards."""
    try:
        made = add_batch(request)
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go(f"/batches/{quote(made.batch.id)}/standards")


def add_batch(request: RequestContext) -> BatchLine:
    """Record a new strip batch of the supplied strip type and return it."""
    name, keeps = request.field("batch").strip(), request.field("keeps").strip()
    try:
        made = from_json(msgspec.json.encode({
            "id": name, "strip": default_strip().name, "expires": request.field("expires") or None,
            "keeps_days": int(keeps) if keeps.isascii() and keeps.isdigit() else None}), Batch)
    except msgspec.ValidationError as error:
        raise InputError("is not a valid strip batch", where="batch", found=validation_message(error),
                         remedy="correct the entry") from error
    register_strip_batch(request.store, request.account, made)
    return batch_lines(request.store, request.access, [made])[0]


def control(request: RequestContext) -> Response:
    """Return the drawing of the control charts of one batch."""
    charts = control_charts(for_control(request.store), request.query("batch"))
    return Response(control_plot(charts), media_type="image/svg+xml")


def _table(lines: Sequence[BatchLine]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "batch", "strip", "chart", "state", "released until", "expires", "open tubes", "tubes", "readings"))
    return ReadingsTable(columns, tuple(_row(line) for line in lines))


def _row(line: BatchLine) -> tuple[str | None, ...]:
    return (line.batch.id, line.batch.strip, line.chart.id if line.chart else None, line.state,
            line.until.isoformat() if line.until else None,
            line.batch.expires.isoformat() if line.batch.expires else None,
            str(line.in_use), str(len(line.tubes)), str(line.readings))


def show_batch(request: RequestContext) -> Response:
    """Return the page, or the values of all check standards as a file."""
    line = batch_line(request)
    if downloads(request):
        return csv_file("check-standards", _check_table(checked_standards(request, line)))
    return _batch_shown(request, line)


def release(request: RequestContext) -> Response:
    """Store a release of the batch's chart."""
    return _done(request, release_batch)


def release_batch(request: RequestContext) -> BatchLine:
    """Store a release of the batch's chart, if it passes the release gate; return the batch."""
    given = request.field("until").strip()
    try:
        until = date.fromisoformat(given)
    except ValueError:
        raise InputError("is not a date", where="until", found=repr(given[:20]), allowed="a date as 2031-05-04"
                         ) from None
    chart, why = _stated(request)
    release_chart(request.store, request.account, chart, why, until)
    return batch_line(request)


def withdraw(request: RequestContext) -> Response:
    """Store the withdrawal of the batch's chart."""
    return _done(request, withdraw_batch, then="/impact")


def withdraw_batch(request: RequestContext) -> BatchLine:
    """Store the withdrawal of the batch's chart; return the batch."""
    chart, why = _stated(request)
    withdraw_chart(request.store, request.account, chart, why)
    return batch_line(request)


def impact(request: RequestContext) -> Response:
    """Return what the withdrawal of the batch's chart affects, or has affected, as a page or a file."""
    line = batch_line(request)
    try:
        found = chart_impact(request)
    except InputError as error:
        return _batch_shown(request, line, status=422, wrong=error.message)
    if downloads(request):
        return csv_file("impact", _impact_table(found))
    return page(request, "impact.html", line=line, found=found, shown=ROWS, verdict_tone=tone)


def chart_impact(request: RequestContext) -> WithdrawalImpact:
    """Return what the withdrawal of the batch's chart affects. Raises InputError without a chart."""
    return withdrawal_impact(request.store, "chart", _chart(request).id, request.access)


def _impact_table(found: WithdrawalImpact) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in ("reading", "sampled [UTC]", "site", "point", "verdict"))
    return ReadingsTable(columns, tuple((r.id, r.sampled, r.site, r.point, r.verdict) for r in found.readings))


def _stated(request: RequestContext) -> tuple[Chart, str]:
    """Return the chart of the batch and the reason of a statement on it. Raises InputError without one."""
    chart, why = _chart(request), request.field("why").strip()
    give_a_reason(why, f"chart {chart.id[:12]}")
    return chart, why


def _chart(request: RequestContext) -> Chart:
    line = batch_line(request)
    if line.chart is None:
        raise InputError("the batch has no chart", where=f"batch {line.batch.id}", remedy="fit one to its standards")
    return line.chart.chart


def _done(request: RequestContext, act: Callable[[RequestContext], object], *, then: str = "") -> Response:
    """Make a statement on the chart; the page states why it was rejected."""
    try:
        act(request)
    except InputError as error:
        return _batch_shown(request, batch_line(request), status=422, wrong=error.message)
    return go(request.http.url.path.rpartition("/")[0] + then)


def batch_line(request: RequestContext) -> BatchLine:
    """Return the batch of the address with the state of its chart."""
    batch = request.one(Batch, request.path("batch"))
    return batch_lines(request.store, request.access, [batch])[0]


def checked_standards(request: RequestContext, line: BatchLine) -> list[Check]:
    """Return the check standards read on the batch's chart, largest absolute zeta score first."""
    if line.chart is None:
        return []
    checked = judge(check_pairs(request.store, line.chart.chart), line.chart.chart)
    return sorted(checked, key=lambda c: -abs(c.zeta))


def _batch_shown(request: RequestContext, line: BatchLine, *, status: int = 200, wrong: str = "") -> Response:
    store, checked = request.store, checked_standards(request, line)
    today = store.clock().date()
    until = line.until.date() if line.until and line.until.date() >= today else line.batch.expires or today
    chart = line.chart.chart if line.chart else None
    return page(
        request, "batch.html", whole=request.query("details") == "all", status=status, wrong=wrong, line=line,
        chart=chart, until=until, today=today,
        gate=gate_lines(chart, checked, line.batch.expires, until, request.notation) if chart else [],
        validated=validity(chart) if chart else "", checks=checked[:ROWS], number_of_checks=len(checked),
        summaries=check_summaries(checked), number=number, compared=compared_with_previous(store, line.chart),
        controlled=control_figures(control_charts(for_control(store), line.batch.id), request.notation),
        errors={c.analyte: level_errors(c, request.notation) for c in chart.curves} if chart else {},
        planned=bool(standards_of(store, line.batch.id).plan),
        names=names_of(store, {r.account for r in line.releases}))


def _check_table(checked: Sequence[Check]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "standard", "analyte", "unit", "light", "photograph", "known", "u", "measured", "zeta", "verdict"))
    return ReadingsTable(columns, tuple(
        (p.sample, p.read.analyte, p.read.unit, p.light, p.photo, f"{p.known:.6g}", f"{p.u_known:.3g}",
         f"{p.read.value:.6g}", f"{c.zeta:.2f}", c.verdict) for c in checked for p in (c.pair,)))
