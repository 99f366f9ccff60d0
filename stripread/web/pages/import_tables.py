"""Import of tables pasted or read from a file, and one test interval for many points; both with a preview."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import msgspec
from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.csv_import import columns, records_of
from stripread.exchange.import_assessment import assess_imported
from stripread.exchange.import_records import ParsedRecord, RecordChange, import_all, import_changes
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope, load_sites
from stripread.store.models.sites import SamplingPoint
from stripread.web.bulk_change import preview_or_apply
from stripread.web.listing import group_names
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext

#: Bytes of a table, and changes that a preview lists.
LARGEST, _SHOWN = 2 * 2**20, 200
_NAME: Final = "table.csv"
#: Days between tests, as `record.Days` permits.
_MOST_DAYS: Final = 3650


def show(request: RequestContext) -> Response:
    """Return the form."""
    _check(request)
    return _shown(request)


def take(request: RequestContext) -> Response:
    """Show what the table changes; with the preview confirmed, import it, all or nothing."""
    _check(request)
    try:
        found = _parsed(request)
        changes = list(import_changes(request.store, found))
        if not request.field("confirmed"):
            return _shown(request, changes=changes, total=len(found))
        import_all(request.store, found, by=request.account, why="imported on the page")
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    assess_imported(request.store, request.account, (p.record for p in found))
    return go("/sites")


def _check(request: RequestContext) -> None:
    """A table may name any site: only an account without restriction imports one."""
    if request.access.groups is not None:
        raise HTTPRefusal(403, "role")


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "", changes: list[RecordChange] | None = None,
           total: int = 0) -> Response:
    return page(request, "import.html", status=status, wrong=wrong, table=request.field("table"), columns=columns(),
                total=total, n_changes=len(changes or ()),
                changes=None if changes is None else list(islice(changes, _SHOWN)))


def _parsed(request: RequestContext) -> list[ParsedRecord]:
    """Return the records of the table. Raises InputError that names its line."""
    store = request.store
    with TemporaryDirectory() as folder:
        file = Path(folder) / _NAME
        file.write_text(request.field("table"), encoding="utf-8")
        try:
            return list(records_of([file], store.clock(), catalogue(own_terms(store))))
        except InputError as error:
            # The folder on the server is of no use to the reader.
            raise type(error)(error.what, where=error.where.replace(f"{folder}/", ""), found=error.found,
                              allowed=error.allowed, remedy=error.remedy) from error


def intervals(request: RequestContext) -> Response:
    """Return the sampling points with their test intervals."""
    return _intervals(request)


def set_intervals(request: RequestContext) -> Response:
    """Show which intervals change; with the preview confirmed, set them."""
    return preview_or_apply(request, _intervals, "/schedule", lambda chosen: _other_intervals(request, chosen),
                            lambda points: _set(request, points))


def _other_intervals(request: RequestContext, chosen: Sequence[str]) -> list[SamplingPoint]:
    """Return the chosen points whose interval changes. Raises InputError."""
    days = _days(request.field("days"))
    return [p for p in _points(request) if p.id in chosen and p.every_days != days]


def _set(request: RequestContext, points: Sequence[SamplingPoint]) -> None:
    with request.store.writing(request.account) as work:
        for point in points:
            work.put(msgspec.structs.replace(point, every_days=_days(request.field("days"))), "interval set")


def _intervals(request: RequestContext, *, status: int = 200, wrong: str = "",
               changes: Sequence[SamplingPoint] | None = None) -> Response:
    scope = Scope(access=request.access)
    sites = load_sites(request.store, scope, request.store.clock().date()).sites.values()
    usual = load_intervals().test
    return page(request, "intervals.html", status=status, wrong=wrong, points=_points(request),
                names={s.id: s.name for s in sites}, groups=group_names(request, sites), preview=changes,
                days=None if changes is None else _days(request.field("days")),
                usual={p.id: usual.of(p.place) for p in _points(request)},
                chosen=request.form.get("point", []), typed=request.field("days"))


def _points(request: RequestContext) -> list[SamplingPoint]:
    """Return the open sampling points that the account may see, by site."""
    inventory = load_sites(request.store, Scope(access=request.access), request.store.clock().date())
    return sorted(inventory.points.values(), key=lambda p: (inventory.sites[p.site].name.casefold(), p.name))


def _days(text: str) -> int | None:
    """Return the days between tests; None for an empty field: the usual interval of the place."""
    given = text.strip()
    if not given:
        return None
    if not (given.isascii() and given.isdigit() and 1 <= int(given[:6]) <= _MOST_DAYS):
        raise InputError("is not a number of days", where="days", found=repr(given[:20]), allowed=f"1 to {_MOST_DAYS}")
    return int(given)
