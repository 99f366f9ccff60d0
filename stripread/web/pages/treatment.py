"""Treatment of a site: decisions from proposed to verified, stock of units, commissioning of a unit on the phone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import urlencode

from starlette.responses import Response

from assess.diagnosis.commissioning import PosteriorInterval
from assess.treatment.options import treatment_of
from assess.treatment.treatment import Setting
from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.commissioning import CommissioningProgress, UnitCheck, check_reading, commissioning_progress
from stripread.operations.decisions import STATES, Decisions, Proposal, latest_samples, record_service
from stripread.report.figures.window import LimitBounds, WindowBar, plain_bar
from stripread.report.sites.commissioning import commissioning_sheet, share
from stripread.store.models.record import new_id
from stripread.store.models.sites import (
    FOLLOWING,
    DecisionState,
    SamplingPoint,
    Service,
    Site,
    TreatmentDecision,
    Unit,
    UnitStock,
)
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.sign_ins import names_of
from stripread.web.listing import PROGRESS, ROWS, chosen_decisions, csv_file, downloads, list_address, page_number
from stripread.web.pages.reports import asks_for_pdf, document_response
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

#: Steps that every decision passes on its way.
STEPS: Final[tuple[DecisionState, ...]] = ("proposed", "chosen", "ordered", "installed", "verified")


#: Texts on a rejected field.
_REJECTED: Final = {"why": "decisions.rejected-why", "state": "decisions.rejected-state",
                    "what": "decisions.rejected-what"}


@dataclass(frozen=True, slots=True)
class RejectedForm:
    """A form of the page that was rejected, by id of its decision, "propose" or "stock": field, why, what was typed."""

    form: str
    field: str
    why: str
    typed: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class DecisionLine:
    """A decision with its site; ``place``: number of the last step on the way; ``following``: states it may get."""

    decision: TreatmentDecision
    site_name: str
    place: int
    following: tuple[DecisionState, ...]
    readings: tuple[tuple[str, str], ...]


def show_decisions(request: RequestContext) -> Response:
    """Return the decisions, open ones first."""
    return _decisions_page(request)


def propose(request: RequestContext) -> Response:
    """Store a proposal for a site."""
    return _decided(request, propose_decision, "propose")


def propose_decision(request: RequestContext) -> TreatmentDecision:
    """Store a proposal for a site and return it."""
    return _desk(request).propose(load_intervals(), Proposal(
        site=request.field("site"), what=request.field("what").strip(), catalogue=request.field("catalogue") or None),
        request.field("why").strip())


def advance(request: RequestContext) -> Response:
    """Bring a decision into its next state."""
    return _decided(request, advance_decision, request.path("decision"))


def advance_decision(request: RequestContext) -> TreatmentDecision:
    """Bring the decision of the address into its next state and return it."""
    decision = request.one(TreatmentDecision, request.path("decision"))
    request.demand(Site, decision.site)
    return _desk(request).advance(decision.id, one_of(STATES, request.field("state"), "state"),
                                  request.field("why").strip(), request.field("reading") or None)


def count_stock(request: RequestContext) -> Response:
    """Store the number of units in stock."""
    return _decided(request, set_stock, "stock")


def set_stock(request: RequestContext) -> UnitStock:
    """Store the number of units in stock and return it."""
    given = request.field("count").strip()
    if not (given.isascii() and given.isdigit() and len(given) < 6):
        raise InputError("is not a number of units", where="count", found=repr(given[:20]), allowed="0 to 99999")
    return _desk(request).count(request.field("catalogue"), int(given))


def _desk(request: RequestContext) -> Decisions:
    return Decisions(request.store, request.account)


def _decided(request: RequestContext, act: Callable[[RequestContext], object], form: str) -> Response:
    try:
        act(request)
    except InputError as error:
        typed = {name: values[0] for name, values in request.form.items() if values}
        return _decisions_page(request, status=422, rejected=RejectedForm(
            form, error.field or error.where, _why_rejected(request, error), typed))
    return go("/decisions")


def _why_rejected(request: RequestContext, error: InputError) -> str:
    """Return why a form was rejected, without the ids and options that the message has for programs."""
    if error.field in _REJECTED:
        return request.app.messages(_REJECTED[error.field])
    found = f"Found {error.found}" if error.found else ""
    allowed = f"Allowed: {error.allowed}" if error.allowed else ""
    parts = (error.what, found, allowed, error.remedy)
    return " ".join(f"{part[:1].upper()}{part[1:].rstrip('.')}." for part in parts if part)


def _decisions_page(request: RequestContext, *, status: int = 200, rejected: RejectedForm | None = None) -> Response:
    store = request.store
    chosen = chosen_decisions(request)
    found, names = chosen.decisions, chosen.names
    if downloads(request):
        return csv_file("decisions", _table(found, names))
    first = page_number(request) * ROWS
    lines = [_line(request, d, names[d.site]) for d in found[first:first + ROWS]]
    known = catalogue(own_terms(store))
    return page(
        request, "decisions.html", status=status, rejected=rejected, address=list_address(request), lines=lines,
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


def _table(decisions_: Sequence[TreatmentDecision], names: dict[str, str]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "decision", "site", "site name", "what", "recommended", "state", "at [UTC]", "reason"))
    return ReadingsTable(columns, tuple((d.id, d.site, names[d.site], d.what, d.recommended, d.state, d.at.isoformat(),
                                         d.steps[-1].why) for d in decisions_))


#: Names of the steps, in order.
COMMISSIONING_STEPS = ("set", "tap", "outlet", "result")


@dataclass(frozen=True, slots=True)
class ShareBar:
    """A share with its 95 % interval, as text and as a figure from 0 to 100 %."""

    text: str
    bar: WindowBar


def show_commissioning(request: RequestContext) -> Response:
    """Return the choice of a unit, or the step to which its commissioning has come."""
    return _unit_page(request, commissioning_progress(request.store, request.one(Unit, request.query("unit")))
                  ) if request.query("unit") else _choice(request)


def set_unit(request: RequestContext) -> Response:
    """Record the setting to which the unit was turned, with which the commissioning begins."""
    unit, store = request.one(Unit, request.field("unit")), request.store
    try:
        record_setting(request)
    except InputError as error:
        wrong = "; ".join(filter(None, (error.what, error.found, error.allowed)))
        return _unit_page(request, commissioning_progress(store, unit), status=422, wrong=wrong)
    return go(f"/commissioning?{urlencode({'unit': unit.id})}")


def record_setting(request: RequestContext) -> Service:
    """Record the setting of the unit, or that it was inspected if it has none; return the recorded work."""
    unit, store = request.one(Unit, request.field("unit")), request.store
    setting = None if _setting(unit) is None else _share(request.field("setting"))
    made = Service(id=new_id(), unit=unit.id, at=store.clock(), account=request.account,
                   job="inspected" if setting is None else "setting changed", setting=setting)
    record_service(store, made)
    return made


def show_sheet(request: RequestContext) -> Response:
    """Return the before-and-after sheet as a page or PDF."""
    progress = commissioning_progress(request.store, request.one(Unit, request.query("unit")))
    as_pdf = asks_for_pdf(request)
    if progress.outlet is None:
        raise InputError("the treated water has not been tested since the unit was set", where="the sheet",
                         remedy="photograph tap and outlet first")
    made = commissioning_sheet(check_reading(request.store, progress.outlet.id), request.app.settings.issuer,
                               request.store.clock())
    return document_response(made, "commissioning-sheet", as_pdf=as_pdf)


def _choice(request: RequestContext) -> Response:
    typed = request.query("search").strip()
    return page(request, "commissioning-units.html", units=chosen_units(request), typed=typed)


def chosen_units(request: RequestContext) -> list[tuple[str, Unit]]:
    """Return the installed units that match the search of the address, with the name of their site, by site."""
    store, typed = request.store, request.query("search").strip().casefold()
    inventory = load_sites(store, Scope(access=request.access), store.clock().date())
    units = [(inventory.sites[u.site].name, u) for u in inventory.units.values() if not inventory.removed(u.id)]
    return sorted((u for u in units if typed in f"{u[0]} {u[1].unit.name} {u[1].id}".casefold()),
                  key=lambda u: (u[0].casefold(), u[1].id))


def _unit_page(request: RequestContext, progress: CommissioningProgress, *, status: int = 200,
               wrong: str = "") -> Response:
    check, problem = _checked(request, progress)
    # Turning again is a step back that the page offers itself.
    step = "set" if request.query("again") == "set" and not wrong else progress.step
    setting = _setting(progress.unit)
    return page(
        request, "commissioning.html", status=status, wrong=wrong, p=progress, step=step, steps=COMMISSIONING_STEPS,
        at=COMMISSIONING_STEPS.index(step), marks=() if setting is None else tuple(setting.choices),
        turns=setting is not None, check=check, problem=problem,
        valve=None if check is None else _bar(check.commissioning.setting),
        remaining=None if check is None else _bar(check.commissioning.remaining))


def _checked(request: RequestContext, progress: CommissioningProgress) -> tuple[UnitCheck | None, str]:
    """Return the result where there is one, or why there is none."""
    if progress.step != "result" or progress.outlet is None:
        return None, ""
    try:
        return check_reading(request.store, progress.outlet.id), ""
    except InputError as error:
        return None, " ".join(filter(None, (f"{error.what[:1].upper()}{error.what[1:]}.", error.found, error.remedy)))


def _bar(interval: PosteriorInterval | None) -> ShareBar | None:
    return None if interval is None else ShareBar(share(interval), plain_bar(interval, LimitBounds(), 1.0, "nr"))


def _setting(unit: Unit) -> Setting | None:
    try:
        return treatment_of(unit.catalogue, unit.unit).setting
    except InputError:
        return None


def _share(typed: str) -> float:
    """Return a percentage as a share. Raises InputError for anything else."""
    try:
        share = float(typed.strip().removesuffix("%").replace(",", ".")) / 100
    except ValueError:
        share = -1.0
    if not 0.0 <= share <= 1.0:
        raise InputError("is not a setting", where="setting", found=repr(typed[:40]), allowed="0 to 100 %")
    return share
