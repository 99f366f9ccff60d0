"""Decisions on treatment: proposed, chosen, ordered, installed, verified; and the stock of units."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, get_args

from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.operations.decisions import STATES, Decisions, Proposal, decisions
from stripread.store.models.decisions import FOLLOWING, DecisionState, TreatmentDecision, UnitStock
from stripread.store.models.sites import Site
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.sign_ins import names_of
from stripread.web.listing import ROWS, choice, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

#: Steps that every decision passes on its way.
WAY: Final[tuple[DecisionState, ...]] = ("proposed", "chosen", "ordered", "installed", "verified")
Shown = Literal["open", "settled"]
SHOWN: Final[tuple[Shown, ...]] = get_args(Shown)


@dataclass(frozen=True, slots=True)
class DecisionLine:
    """A decision with its site; ``place``: number of the last step on the way; ``following``: states it may get."""

    decision: TreatmentDecision
    site_name: str
    place: int
    following: tuple[DecisionState, ...]
    readings: tuple[tuple[str, str], ...]


def show(ask: RequestContext) -> Response:
    """Return the decisions, open ones first."""
    return _shown(ask)


def propose(ask: RequestContext) -> Response:
    """Store a proposal for a site."""
    return _done(ask, lambda desk: desk.propose(load_intervals(), Proposal(
        site=ask.field("site"), what=ask.field("what").strip(), catalogue=ask.field("catalogue") or None),
        ask.field("why").strip()))


def advance(ask: RequestContext) -> Response:
    """Bring a decision into its next state."""
    found = ask.one(TreatmentDecision, ask.path("decision"))
    ask.demand(Site, found.site)
    return _done(ask, lambda desk: desk.advance(
        found.id, one_of(STATES, ask.field("state"), "state"), ask.field("why").strip(), ask.field("reading") or None))


def count(ask: RequestContext) -> Response:
    """Store the number of units in stock."""
    given = ask.field("count").strip()
    if not (given.isascii() and given.isdigit() and len(given) < 6):
        return _shown(ask, status=422, wrong=ask.house.words("decisions.count-wrong"))
    return _done(ask, lambda desk: desk.count(ask.field("catalogue"), int(given)))


def _done(ask: RequestContext, act: Callable[[Decisions], object]) -> Response:
    try:
        act(Decisions(ask.house.store, ask.who.account))
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    return go("/decisions")


def _shown(ask: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    store = ask.house.store
    names = {s.id: s.name for s in store.find(Site) if ask.access.includes(s)}
    found = _filtered(ask, names)
    if downloads(ask):
        return csv_file("decisions", _table(found, names))
    first = page_number(ask) * ROWS
    lines = [_line(ask, d, names[d.site]) for d in found[first:first + ROWS]]
    known = catalogue(own_terms(store))
    return page(
        ask, "decisions.html", status=status, wrong=wrong, address=list_address(ask), lines=lines, total=len(found),
        sites=sorted(names.items(), key=lambda s: s[1].casefold()), stock=store.find(UnitStock), way=WAY, shown=SHOWN,
        catalogue=sorted((id_, unit.name) for id_, unit in known.items()),
        unit_names={id_: unit.name for id_, unit in known.items()},
        names=names_of(store, {s.account for line in lines for s in line.decision.steps}),
        chosen_site=ask.query("site"), further=page_number(ask) + 1 if len(found) > first + ROWS else "")


def _filtered(ask: RequestContext, names: dict[str, str]) -> list[TreatmentDecision]:
    typed, shown = ask.query("search").strip().casefold(), choice(ask, "state", SHOWN)
    found = [d for d in decisions(ask.house.store, ask.query("site") or None) if d.site in names
             and typed in f"{names[d.site]} {d.what}".casefold() and shown in (None, "open" if d.open else "settled")]
    if choice(ask, "sort", ("latest", "site")) == "site":
        return sorted(found, key=lambda d: names[d.site].casefold())
    return sorted(found, key=lambda d: not d.open)


def _line(ask: RequestContext, d: TreatmentDecision, site_name: str) -> DecisionLine:
    following = FOLLOWING[d.state]
    installed = [s.at for s in d.steps if s.state == "installed"]
    there = []
    if "verified" in following and installed:
        there = readings(ask.house.store, ReadingFilter(site=d.site, since=installed[-1], access=ask.access), 10)
    place = max(WAY.index(s.state) for s in d.steps if s.state in WAY)
    return DecisionLine(d, site_name, place, following,
                        tuple((r.id, f"{r.point_name or r.photo}, {r.sampled[:10]}") for r in there))


def _table(found: Sequence[TreatmentDecision], names: dict[str, str]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "decision", "site", "site name", "what", "recommended", "state", "at [UTC]", "reason"))
    return ReadingsTable(columns, tuple((d.id, d.site, names[d.site], d.what, d.recommended, d.state, d.at.isoformat(),
                                         d.steps[-1].why) for d in found))
