"""Lists with an address of their own: search, filters, order and page are parameters, so that a list can be shared."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal, TypeVar
from urllib.parse import urlencode

from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, as_csv
from stripread.store.models.sites import Site, SiteGroup
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
        others = {name: value for name, value in self.given if name != _PAGE}
        wanted = {**others, **{name: str(value) for name, value in changed.items()}}
        query = urlencode({name: value for name, value in wanted.items() if value})
        return f"{self.path}?{query}" if query else self.path


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
