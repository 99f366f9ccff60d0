"""Commissioning of a treatment unit on the phone: set it, photograph tap and outlet, the result, the sheet to sign."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from starlette.responses import Response

from assess.diagnosis.commissioning import PosteriorInterval
from assess.treatment.options import treatment_of
from assess.treatment.treatment import Setting
from shared.errors import InputError
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.commissioning import CommissioningProgress, UnitCheck, check_reading, commissioning_progress
from stripread.operations.decisions import record_service
from stripread.report.figures.window import LimitBounds, WindowBar, plain_bar
from stripread.report.sites.commissioning import commissioning_sheet, share
from stripread.store.models.record import new_id
from stripread.store.models.sites import Service, Unit
from stripread.web.pages.reports import asks_for_pdf, document_response
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext

#: Names of the steps, in order.
STEPS = ("set", "tap", "outlet", "result")


@dataclass(frozen=True, slots=True)
class ShareBar:
    """A share with its 95 % interval, as text and as a figure from 0 to 100 %."""

    text: str
    bar: WindowBar


def show(request: RequestContext) -> Response:
    """Return the choice of a unit, or the step to which its commissioning has come."""
    return _shown(request, commissioning_progress(request.store, request.one(Unit, request.query("unit")))
                  ) if request.query("unit") else _choice(request)


def set_unit(request: RequestContext) -> Response:
    """Record the setting to which the unit was turned, with which the commissioning begins."""
    unit, store = request.one(Unit, request.field("unit")), request.store
    try:
        setting = None if _setting(unit) is None else _share(request.field("setting"))
        record_service(store, Service(id=new_id(), unit=unit.id, at=store.clock(), account=request.account,
                                      job="inspected" if setting is None else "setting changed", setting=setting))
    except InputError as error:
        wrong = "; ".join(filter(None, (error.what, error.found, error.allowed)))
        return _shown(request, commissioning_progress(store, unit), status=422, wrong=wrong)
    return go(f"/commissioning?{urlencode({'unit': unit.id})}")


def sheet(request: RequestContext) -> Response:
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
    store, typed = request.store, request.query("search").strip()
    inventory = load_sites(store, Scope(access=request.access), store.clock().date())
    units = [(inventory.sites[u.site].name, u) for u in inventory.units.values() if not inventory.removed(u.id)]
    found = sorted((u for u in units if typed.casefold() in f"{u[0]} {u[1].unit.name} {u[1].id}".casefold()),
                   key=lambda u: (u[0].casefold(), u[1].id))
    return page(request, "commissioning-units.html", units=found, typed=typed)


def _shown(request: RequestContext, progress: CommissioningProgress, *, status: int = 200, wrong: str = "") -> Response:
    check, problem = _checked(request, progress)
    # Turning again is a step back that the page offers itself.
    step = "set" if request.query("again") == "set" and not wrong else progress.step
    setting = _setting(progress.unit)
    return page(
        request, "commissioning.html", status=status, wrong=wrong, p=progress, step=step, steps=STEPS,
        at=STEPS.index(step), marks=() if setting is None else tuple(setting.choices), turns=setting is not None,
        check=check, problem=problem, valve=None if check is None else _bar(check.commissioning.setting),
        remaining=None if check is None else _bar(check.commissioning.remaining))


def _checked(request: RequestContext, progress: CommissioningProgress) -> tuple[UnitCheck | None, str]:
    """Return the result where there is one, or why there is none."""
    if progress.step != "result" or progress.outlet is None:
        return None, ""
    try:
        return check_reading(request.store, progress.outlet.id), ""
    except InputError as error:
        return None, " ".join(filter(None, (f"{error.what[:1].upper()}{error.what[1:]}.", error.found, error.remedy)))


def _bar(found: PosteriorInterval | None) -> ShareBar | None:
    return None if found is None else ShareBar(share(found), plain_bar(found, LimitBounds(), 1.0, "nr"))


def _setting(unit: Unit) -> Setting | None:
    try:
        return treatment_of(unit.catalogue, unit.unit).setting
    except InputError:
        return None


def _share(typed: str) -> float:
    """Return a percentage as a share. Raises InputError for anything else."""
    try:
        found = float(typed.strip().removesuffix("%").replace(",", ".")) / 100
    except ValueError:
        found = -1.0
    if not 0.0 <= found <= 1.0:
        raise InputError("is not a setting", where="setting", found=repr(typed[:40]), allowed="0 to 100 %")
    return found
