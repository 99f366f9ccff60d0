"""Decisions on treatment: proposed, chosen, ordered, installed, verified; and the stock of units."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.operations.decisions import STATES, Decisions, Proposal, latest_samples
from stripread.store.models.sites import FOLLOWING, DecisionState, SamplingPoint, Site, TreatmentDecision, UnitStock
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.sign_ins import names_of
from stripread.web.listing import ROWS, csv_file, downloads, list_address, page_number
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of
from stripread.web.selections import PROGRESS, chosen_decisions

#: Steps that every decision passes on its way.
STEPS: Final[tuple[DecisionState, ...]] = ("proposed", "chosen", "ordered", "installed", "verified")
@dataclass(frozen=True, slots=True)
class DecisionLine:
    """A decision with its site; ``place``: number of the last step on the way; ``following``: states it may get."""

    decision: TreatmentDecision
    site_name: str
    place: int
    following: tuple[DecisionState, ...]
    readings: tuple[tuple[str, str], ...]


def show(request: RequestContext) -> Response:
    """Return the decisions, open ones first."""
    return _shown(request)


def propose(request: RequestContext) -> Response:
    """Store a proposal for a site."""
    return _done(request, lambda desk: desk.propose(load_intervals(), Proposal(
        site=request.field("site"), what=request.field("what").strip(), catalogue=request.field("catalogue") or None),
        request.field("why").strip()))


def advance(request: RequestContext) -> Response:
    """Bring a decision into its next state."""
    found = request.one(TreatmentDecision, request.path("decision"))
    request.demand(Site, found.site)
    return _done(request, lambda desk: desk.advance(
        found.id, one_of(STATES, request.field("state"), "state"), request.field("why").strip(),
        request.field("reading") or None))


def count(request: RequestContext) -> Response:
    """Store the number of units in stock."""
    given = request.field("count").strip()
    if not (given.isascii() and given.isdigit() and len(given) < 6):
        return _shown(request, status=422, wrong=request.app.messages("decisions.count-wrong"))
    return _done(request, lambda desk: desk.count(request.field("catalogue"), int(given)))


def _done(request: RequestContext, action: Callable[[Decisions], object]) -> Response:
    try:
        action(Decisions(request.store, request.account))
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go("/decisions")


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    store = request.store
    chosen = chosen_decisions(request)
    found, names = chosen.decisions, chosen.names
    if downloads(request):
        return csv_file("decisions", _table(found, names))
    first = page_number(request) * ROWS
    lines = [_line(request, d, names[d.site]) for d in found[first:first + ROWS]]
    known = catalogue(own_terms(store))
    return page(
        request, "decisions.html", status=status, wrong=wrong, address=list_address(request), lines=lines,
        total=len(found), sites=sorted(names.items(), key=lambda s: s[1].casefold()), stock=store.find(UnitStock),
        steps=STEPS, shown=PROGRESS, catalogue=sorted((id_, unit.name) for id_, unit in known.items()),
        unit_names={id_: unit.name for id_, unit in known.items()},
        names=names_of(store, {s.account for line in lines for s in line.decision.steps}),
        chosen_site=request.query("site"), further=page_number(request) + 1 if len(found) > first + ROWS else "")


def _line(request: RequestContext, d: TreatmentDecision, site_name: str) -> DecisionLine:
    following = FOLLOWING[d.state]
    installed = [s.at for s in d.steps if s.state == "installed"]
    there: list[tuple[str, str]] = []
    if "verified" in following and installed:
        there = list(_results(request, d.site, installed[-1]))
    place = max(STEPS.index(s.state) for s in d.steps if s.state in STEPS)
    return DecisionLine(d, site_name, place, following, tuple(there))


def _results(request: RequestContext, site: str, since: datetime) -> Iterator[tuple[str, str]]:
    """Yield id and text of the readings, then the laboratory and typed samples, of a site since a time."""
    for r in readings(request.store, ReadingFilter(site=site, since=since, access=request.access), 10):
        yield r.id, f"{r.point_name or r.photo}, {r.sampled[:10]}"
    points = {p.id: p.name for p in request.store.find(SamplingPoint, site=site)}
    for sample in latest_samples(request.store, points):
        if sample.taken >= since:
            yield sample.id, f"{points[sample.point]}, {sample.assessment.sample}"


def _table(found: Sequence[TreatmentDecision], names: dict[str, str]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "decision", "site", "site name", "what", "recommended", "state", "at [UTC]", "reason"))
    return ReadingsTable(columns, tuple((d.id, d.site, names[d.site], d.what, d.recommended, d.state, d.at.isoformat(),
                                         d.steps[-1].why) for d in found))
