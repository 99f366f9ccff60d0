"""List of readings: search, filters, order, pages, download."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final, Literal, get_args

from starlette.responses import Response

from assess.decision import VERDICTS, Verdict
from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.notation import Notation
from shared.text import written
from stripread.exchange.readings_table import readings_table
from stripread.report.figures.window import Tone, tone
from stripread.store import chart_selection
from stripread.store.reading_query import ListedValue, ReadingFilter, ReadingRow, count_readings, readings
from stripread.store.reading_status import REVIEW_STATUS_NAMES, ReviewStatus
from stripread.web.listing import COUNTED, ROWS, choice, csv_file, downloads, group_options, list_address
from stripread.web.reading_view import glyphs
from stripread.web.rendering import page
from stripread.web.request import RequestContext

Order = Literal["newest", "oldest"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)
_REVIEWED: Final[tuple[ReviewStatus, ...]] = tuple(REVIEW_STATUS_NAMES)
#: Outcomes by which the list is filtered: the verdicts, most severe first, and no result.
OUTCOMES: Final[tuple[Verdict | Literal["no-result"], ...]] = (*reversed(VERDICTS), "no-result")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingLine:
    """A reading in the list: where, when, its pads' colours, its values in the order of the columns, its outcome."""

    id: str
    place: str
    point: str
    when: datetime
    colours: tuple[str, ...]
    values: tuple[str, ...]
    tone: Tone
    outcome: str
    reviewed: ReviewStatus
    batch: str


def show(request: RequestContext) -> Response:
    """Return the list, or the whole of it as a file."""
    store, wanted = request.store, reading_filter(request)
    if downloads(request):
        return csv_file("readings", readings_table(store, wanted))
    oldest_first = choice(request, "sort", _ORDERS) == "oldest"
    found = readings(store, wanted, ROWS + 1, request.query("after") or None, oldest_first=oldest_first)
    shown = found[:ROWS]
    colours = glyphs(store, [row.id for row in shown])
    analytes = [a for a in ANALYTES if any(v.analyte == a for row in shown for v in row.values)]
    return page(
        request, "readings.html", address=list_address(request),
        lines=reading_lines(shown, colours, analytes, request.notation),
        analytes=[ANALYTES[a] for a in analytes], total=count_readings(store, wanted, COUNTED + 1), counted=COUNTED,
        outcomes=OUTCOMES, groups=group_options(request), reviewed=_REVIEWED,
        batches=[(b, b) for b in chart_selection.batches_with_charts(store)],
        further=found[ROWS - 1].id if len(found) > ROWS else "")


def reading_filter(request: RequestContext) -> ReadingFilter:
    """Return the filter that an address states. Raises InputError."""
    outcome = choice(request, "outcome", OUTCOMES)
    until = _day(request, "until", days=1)
    return ReadingFilter(
        access=request.access, site=request.query("site") or None, point=request.query("point") or None,
        group=request.query("group") or None, batch=request.query("batch") or None,
        search=request.query("search").strip() or None, since=_day(request, "since"),
        until=until and until - timedelta.resolution,
        reviewed=choice(request, "reviewed", _REVIEWED), verdict=None if outcome == "no-result" else outcome,
        status="no-result" if outcome == "no-result" else None)


def _day(request: RequestContext, name: str, *, days: int = 0) -> datetime | None:
    """Return the start of a day in the reader's time zone, or of one ``days`` later."""
    given = request.query(name)
    if not given:
        return None
    try:
        return request.notation.start_of(date.fromisoformat(given) + timedelta(days=days))
    except (ValueError, OverflowError) as error:
        raise InputError("is not a date", where=name, found=repr(given[:20]), allowed="a date as 2031-05-04") from error


def reading_lines(rows: list[ReadingRow], colours: Mapping[str, tuple[str, ...]], analytes: list[str],
                  notation: Notation) -> list[ReadingLine]:
    """Return the lines of some readings; ``colours``: of the pads, by reading."""
    return [_line(row, colours.get(row.id, ()), analytes, notation) for row in rows]


def _line(row: ReadingRow, colours: tuple[str, ...], analytes: list[str], notation: Notation) -> ReadingLine:
    values = {v.analyte: _value(v, notation) for v in row.values}
    return ReadingLine(
        id=row.id, place=row.site_name or row.photo, point=row.point_name or "",
        when=datetime.fromisoformat(row.sampled), colours=colours, values=tuple(values.get(a, "") for a in analytes),
        tone="nr" if row.status == "no-result" else tone(row.verdict),
        outcome="no-result" if row.status == "no-result" else row.verdict or "", reviewed=row.reviewed, batch=row.batch)


def _value(value: ListedValue, notation: Notation) -> str:
    return written(value, ANALYTES[value.analyte].unit, status=value.status, notation=notation).value
