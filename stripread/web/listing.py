"""Lists with an address of their own: search, filters, order and page are parameters, so that a list can be shared.

Pages and API share what a list contains: only what the account may see, under the filters of the address, in its order.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal, TypeVar, get_args
from urllib.parse import urlencode

from starlette.responses import Response

from assess.decision import VERDICTS, Verdict
from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, as_csv
from stripread.monitoring.schedule.due import DueList, due_list
from stripread.monitoring.schedule.intervals import DueItem, Kind, load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, overview
from stripread.operations.decisions import decisions
from stripread.store.models.materials import Batch
from stripread.store.models.sites import Site, SiteGroup, TreatmentDecision
from stripread.web.batches_view import STATES, BatchLine, batch_lines
from stripread.web.request import RequestContext, one_of

T = TypeVar("T", bound=str)
#: Parameter of the page of a list; a changed filter starts at the first one.
_PAGE: Final = "after"
#: Parameters that name what was just done, for the notice with Undo.
_NOTICE: Final = ("did", "of")
#: Rows of one page of a list.
ROWS: Final = 50
#: Readings that are counted at most, so that a page takes the same time in any store.
COUNTED: Final = 10_000


@dataclass(frozen=True, slots=True)
class ListAddress:
    """Address of a list: its path and the parameters given, without empty ones."""

    path: str
    given: tuple[tuple[str, str], ...]

    def __getitem__(self, name: str) -> str:
        """Return a parameter; empty if it is not given."""
        return dict(self.given).get(name, "")

    @property
    def filtered(self) -> bool:
        """Whether anything is given, so that the list may be a part of all rows."""
        return bool(self.given)

    @property
    def narrowed(self) -> bool:
        """Whether a filter or an order is given in addition to the search."""
        return any(name not in ("search", _PAGE, *_NOTICE) for name, _ in self.given)

    def link(self, **changed: str | int) -> str:
        """Return the address with changed parameters; an empty text removes one."""
        return self.path + self.query(**changed)

    def query(self, **changed: str | int) -> str:
        """Return the parameters of a link with their question mark; empty without parameters."""
        others = {name: value for name, value in self.given if name != _PAGE}
        wanted = {**others, **{name: str(value) for name, value in changed.items()}}
        query = urlencode({name: value for name, value in wanted.items() if value})
        return f"?{query}" if query else ""


def list_address(request: RequestContext) -> ListAddress:
    """Return the address of the list that was asked for."""
    given = request.http.query_params.items()
    return ListAddress(request.http.url.path, tuple((name, value.strip()) for name, value in given if value.strip()))


def choice(request: RequestContext, name: str, values: tuple[T, ...]) -> T | None:
    """Return the value of a filter, None without one. Raises InputError for an unknown value."""
    given = request.query(name)
    return one_of(values, given, name) if given else None


def page_number(request: RequestContext) -> int:
    """Return the number of the page, from 0. Raises InputError."""
    given = request.query(_PAGE) or "0"
    if not (given.isascii() and given.isdigit() and len(given) < 7):
        raise InputError("is not a page number", where=_PAGE, found=repr(given[:20]), allowed="0, 1, 2 ...")
    return int(given)


def downloads(request: RequestContext) -> bool:
    """Return whether the list is to be downloaded instead of shown."""
    formats: tuple[Literal["csv"], ...] = ("csv",)
    return choice(request, "format", formats) is not None


def csv_file(name: str, table: ReadingsTable) -> Response:
    """Return a table as a CSV file to download."""
    return Response(as_csv(table), media_type="text/csv; charset=utf-8",
                    headers={"content-disposition": f'attachment; filename="{name}.csv"'})


def group_options(request: RequestContext) -> list[tuple[str, str]]:
    """Return id and name of the groups of sites that the account may see."""
    groups = request.store.find(SiteGroup)
    return [(g.id, g.name) for g in groups if request.access.groups is None or g.id in request.access.groups]


def group_names(request: RequestContext, sites: Iterable[Site]) -> dict[str, str]:
    """Return the name of the group of each site, "" for a site without one."""
    names = dict(group_options(request))
    return {s.id: names.get(s.group or "", "") for s in sites}


SiteVerdict = Verdict | Literal["none"]
SiteOrder = Literal["severe", "name", "due"]
DueOrder = Literal["date", "site"]
BatchOrder = Literal["expiry", "name"]
DecisionOrder = Literal["latest", "site"]
Progress = Literal["open", "settled"]
#: Verdicts by which sites are filtered, most severe first; none: never assessed.
SITE_VERDICTS: Final[tuple[SiteVerdict, ...]] = (*reversed(VERDICTS), "none")
#: Weeks that a list of due items looks ahead.
WEEKS: Final = 8
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
PROGRESS: Final[tuple[Progress, ...]] = get_args(Progress)
BATCH_ORDERS: Final[tuple[BatchOrder, ...]] = get_args(BatchOrder)
_SITE_ORDERS: Final[tuple[SiteOrder, ...]] = get_args(SiteOrder)
_DUE_ORDERS: Final[tuple[DueOrder, ...]] = get_args(DueOrder)
_DECISION_ORDERS: Final[tuple[DecisionOrder, ...]] = get_args(DecisionOrder)


def scope_of(request: RequestContext) -> Scope:
    """Return the sites of the group that the address names, or all that the account may see."""
    return Scope(group=request.query("group") or None, access=request.access)


def all_sites(request: RequestContext) -> Sequence[SiteStatus]:
    """Return the status of the sites of the group, most severe first."""
    return overview(request.store, load_intervals(), scope=scope_of(request)).sites


def chosen_sites(request: RequestContext, sites: Sequence[SiteStatus]) -> list[SiteStatus]:
    """Return the sites with the verdict and the text that the address states, in its order."""
    verdict, typed = choice(request, "verdict", SITE_VERDICTS), _typed(request)
    found = [s for s in sites if verdict in (None, s.verdict or "none")
             and typed in f"{s.name} {s.site} {s.water.name if s.water else ''}".casefold()]
    order = choice(request, "sort", _SITE_ORDERS)
    if order == "name":
        return sorted(found, key=lambda s: s.name.casefold())
    if order == "due":
        return sorted(found, key=lambda s: (s.next is None, s.next.on.toordinal() if s.next else 0))
    return found


def all_due(request: RequestContext, weeks: int) -> DueList:
    """Return what is due in the group within some weeks."""
    return due_list(request.store, load_intervals(), scope=scope_of(request), weeks=weeks)


def chosen_due(request: RequestContext, items: Iterable[DueItem]) -> list[DueItem]:
    """Return the due items of the kind and with the text that the address states, in its order."""
    kind, typed = choice(request, "what", KINDS), _typed(request)
    found = [i for i in items if kind in (None, i.kind) and typed in f"{i.sentence} {i.why}".casefold()]
    if choice(request, "sort", _DUE_ORDERS) == "site":
        return sorted(found, key=lambda i: (i.site_name.casefold(), i.on))
    return found


def chosen_batches(request: RequestContext) -> list[BatchLine]:
    """Return the batches under the filters of the address; without an order, the latest expiry date first."""
    typed, state = _typed(request), choice(request, "state", STATES)
    store, order = request.store, choice(request, "sort", BATCH_ORDERS)
    batches = [b for b in store.find(Batch) if typed in f"{b.id} {b.strip}".casefold()]
    found = [line for line in batch_lines(store, request.access, batches) if state in (None, line.state)]
    if order == "name":
        return found
    return sorted(found, key=lambda line: line.batch.expires or date.max, reverse=True)


@dataclass(frozen=True, slots=True)
class ChosenDecisions:
    """Decisions under the filters of an address, and the names of all sites that the account may see, by id."""

    decisions: Sequence[TreatmentDecision]
    names: dict[str, str]


def chosen_decisions(request: RequestContext) -> ChosenDecisions:
    """Return the decisions under the filters of the address; without an order, open ones first."""
    names = {s.id: s.name for s in request.store.find(Site) if request.access.includes(s.group)}
    typed, progress = _typed(request), choice(request, "state", PROGRESS)
    found = [d for d in decisions(request.store, request.query("site") or None) if d.site in names
             and typed in f"{names[d.site]} {d.what}".casefold()
             and progress in (None, "open" if d.open else "settled")]
    if choice(request, "sort", _DECISION_ORDERS) == "site":
        return ChosenDecisions(sorted(found, key=lambda d: names[d.site].casefold()), names)
    return ChosenDecisions(sorted(found, key=lambda d: not d.open), names)


def _typed(request: RequestContext) -> str:
    return request.query("search").strip().casefold()
