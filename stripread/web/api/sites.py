"""Sites by the API: status, due items and work done, decisions on treatment, stock, commissioning of a unit."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final

import msgspec

from stripread.monitoring.schedule.intervals import DueItem, Kind, load_intervals
from stripread.monitoring.status import SiteStatus, status_of
from stripread.operations.commissioning import Step, commissioning_progress
from stripread.store.models.sites import (
    FOLLOWING,
    DecisionState,
    DecisionStep,
    Service,
    Site,
    TreatmentDecision,
    Unit,
    UnitStock,
)
from stripread.web.api.operations import (
    Body,
    FileQuery,
    ListPage,
    ListQuery,
    Remark,
    answered,
    change,
    listed,
    number,
    read,
)
from stripread.web.api.review import DOCUMENTS
from stripread.web.error_handlers import json
from stripread.web.listing import (
    WEEKS,
    DecisionOrder,
    DueOrder,
    Progress,
    SiteOrder,
    SiteVerdict,
    all_due,
    all_sites,
    chosen_decisions,
    chosen_due,
    chosen_sites,
)
from stripread.web.pages import schedule, treatment
from stripread.web.pages import sites as pages
from stripread.web.pages.schedule import DoneWork, Ticked
from stripread.web.refusals import CAN_MAINTAIN, MANAGERS
from stripread.web.request import RequestContext

#: Weeks that a list of due items may look ahead.
MOST_WEEKS = 104
_SITE_ID = msgspec.Meta(description="ID of the site.")
_GROUP_ID = msgspec.Meta(description="ID of the group of sites.")


class SitesQuery(ListQuery, frozen=True):
    """Parameters of the list of sites, as on the page Sites."""

    group: Annotated[str, _GROUP_ID] = ""
    search: Annotated[str, msgspec.Meta(
        description="Part of the name or ID of the site, or of the sampling point of its headline.")] = ""
    verdict: Annotated[SiteVerdict, msgspec.Meta(description="Verdict of the sites; none: never assessed.")] = "none"
    sort: Annotated[SiteOrder, msgspec.Meta(description="Order [default: severe, the most severe first].")] = "severe"


class DueQuery(ListQuery, frozen=True):
    """Parameters of the list of due items, as on the page Schedule."""

    group: Annotated[str, _GROUP_ID] = ""
    search: Annotated[str, msgspec.Meta(description="Part of the name of the site, the task or its reason.")] = ""
    what: Annotated[Kind, msgspec.Meta(description="Kind of the items.")] = "water"
    weeks: Annotated[int, msgspec.Meta(
        ge=1, le=MOST_WEEKS, description=f"Weeks to look ahead [default: {WEEKS}].")] = WEEKS
    sort: Annotated[DueOrder, msgspec.Meta(description="Order [default: date].")] = "date"


class DecisionsQuery(ListQuery, frozen=True):
    """Parameters of the list of decisions, as on the page Decisions."""

    site: Annotated[str, _SITE_ID] = ""
    search: Annotated[str, msgspec.Meta(description="Part of the name of the site or of the decision.")] = ""
    state: Annotated[Progress, msgspec.Meta(
        description="Whether something remains to be done; settled: verified or closed.")] = "open"
    sort: Annotated[DecisionOrder, msgspec.Meta(
        description="Order [default: latest, open decisions before settled ones].")] = "latest"


class SheetQuery(FileQuery, frozen=True, kw_only=True):
    """Parameters of the before-and-after sheet of a unit."""

    unit: Annotated[str, msgspec.Meta(description="ID of the treatment unit.")]


class UnitsQuery(ListQuery, frozen=True):
    """Parameters of the list of treatment units, as on the page Commissioning."""

    search: Annotated[str, msgspec.Meta(description="Part of the name of the site or the unit, or of its ID.")] = ""


class SettingBody(Body, frozen=True):
    """Setting of a treatment unit in percent, null for a unit without one."""

    unit: Annotated[str, msgspec.Meta(description="ID of the treatment unit.")]
    setting: Annotated[float, msgspec.Meta(ge=0.0, le=100.0)] | None = None


class DoneBody(Body, frozen=True):
    """Work that is done today, on the treatment unit, the tube or the card of this ID."""

    kind: Ticked
    unit: str | None = None
    tube: str | None = None
    card: str | None = None


class UndoneBody(Body, frozen=True):
    """What was ticked off by mistake, as the response to it has it."""

    kind: Ticked
    done: str


class ProposalBody(Body, frozen=True):
    """A proposal for a site; ``what`` empty: what the program recommends; ``catalogue``: unit to buy."""

    site: Annotated[str, _SITE_ID]
    what: str = ""
    catalogue: str | None = None
    why: Remark = ""


class StepBody(Body, frozen=True):
    """Next state of a decision; ``reading``: what verifies it, a reading or the assessment of a sample."""

    state: DecisionState
    why: Remark = ""
    reading: str | None = None


class StockBody(Body, frozen=True):
    """Number of units in stock."""

    catalogue: Annotated[str, msgspec.Meta(description="ID of the unit in the catalogue.")]
    count: Annotated[int, msgspec.Meta(ge=0, le=99_999)]


class DecisionRow(msgspec.Struct, frozen=True, kw_only=True):
    """A decision on treatment: the record with the name of its site and its present state.

    ``following``: states that it may get next. ``recommended``: what the program recommended when it was proposed.
    ``catalogue``, ``setting``, ``quantity``: of the unit to buy; ``catalogue`` is null if nothing is bought.
    """

    id: str
    site: str
    site_name: str
    what: str
    recommended: str
    state: DecisionState
    open: bool
    at: datetime
    following: tuple[DecisionState, ...]
    catalogue: str | None
    setting: float | None
    quantity: int
    steps: tuple[DecisionStep, ...]


class UnitRow(msgspec.Struct, frozen=True, kw_only=True):
    """An installed treatment unit."""

    id: str
    site: str
    site_name: str
    name: str
    catalogue: str


class CommissioningRow(msgspec.Struct, frozen=True, kw_only=True):
    """Commissioning of a unit: next ``step``; sampling points of feed and treated water with their latest readings.

    ``setting``: as a share; ``turned``: when the unit was set. null: there is none.
    """

    unit: str
    site: str
    step: Step
    setting: float | None
    turned: datetime | None
    feed: str | None
    feed_reading: str | None
    treated: str | None
    treated_reading: str | None


def _decision_row(made: TreatmentDecision, site_name: str) -> DecisionRow:
    return DecisionRow(
        id=made.id, site=made.site, site_name=site_name, what=made.what, recommended=made.recommended,
        state=made.state, open=made.open, at=made.at, following=FOLLOWING[made.state], catalogue=made.catalogue,
        setting=made.setting, quantity=made.quantity, steps=made.steps)


def _decided(made: TreatmentDecision, request: RequestContext) -> DecisionRow:
    return _decision_row(made, request.store.get(Site, made.site).name)


def _status(request: RequestContext) -> SiteStatus:
    return status_of(request.store, load_intervals(), request.one(Site, request.path("site")).id)


def _due(request: RequestContext) -> list[DueItem]:
    return chosen_due(request, all_due(request, number(request, "weeks", WEEKS, 1, MOST_WEEKS)).items)


def _decisions(request: RequestContext) -> list[DecisionRow]:
    chosen = chosen_decisions(request)
    return [_decision_row(made, chosen.names[made.site]) for made in chosen.decisions]


def _stock(request: RequestContext) -> list[UnitStock]:
    return request.store.find(UnitStock)


def _units(request: RequestContext) -> list[UnitRow]:
    return [UnitRow(id=u.id, site=u.site, site_name=site, name=u.unit.name, catalogue=u.catalogue)
            for site, u in treatment.chosen_units(request)]


def _commissioning(request: RequestContext) -> CommissioningRow:
    p = commissioning_progress(request.store, request.one(Unit, request.path("unit")))
    return CommissioningRow(
        unit=p.unit.id, site=p.site.id, step=p.step, setting=p.setting, turned=p.turned.at if p.turned else None,
        feed=p.feed.id if p.feed else None, feed_reading=p.tap.id if p.tap else None,
        treated=p.treated.id if p.treated else None, treated_reading=p.outlet.id if p.outlet else None)


SITES: Final = (
    read("/api/sites", "sites", "List the current status of sites, the most severe first.",
         listed(lambda request: chosen_sites(request, all_sites(request))), scope="sites:read", query=SitesQuery,
         description="Each item has the verdict of the water nearest to the machine with its deviations, the next "
                     "action and all due items.", returns={200: (ListPage[SiteStatus], "A page of sites.")}),
    read("/api/sites/{site:path}/report", "site-report", "Return the current report on a site.", pages.report,
         scope="sites:read", query=FileQuery, files=DOCUMENTS),
    read("/api/sites/{site:path}", "site", "Return the current status of a site.", answered(_status),
         scope="sites:read", returns={200: (SiteStatus, "The status.")}),
    read("/api/due", "due", "List overdue and due items by date.", listed(_due), scope="sites:read", query=DueQuery,
         description="Items of strips, phones, cards and technicians belong to no site: only an account without "
                     "restriction gets them, and only without `group`.",
         returns={200: (ListPage[DueItem], "A page of due items.")}),
    change("/api/due/done", "done", "Record work as done today.", answered(schedule.record_done, status=201),
           roles=CAN_MAINTAIN, scope="sites:write", body=DoneBody, returns={201: (DoneWork, "What was recorded.")}),
    change("/api/due/undo", "undone", "Take back what was recorded by mistake.", answered(schedule.strike_done),
           roles=CAN_MAINTAIN, scope="sites:write", body=UndoneBody, returns={200: (DoneWork, "What was taken back.")}),
    read("/api/decisions", "decisions", "List decisions on treatment with their steps.", listed(_decisions),
         roles=MANAGERS, scope="sites:read", query=DecisionsQuery,
         returns={200: (ListPage[DecisionRow], "A page of decisions.")}),
    change("/api/decisions", "propose", "Propose a treatment for a site.",
           lambda request: json(_decided(treatment.propose_decision(request), request), 201), roles=MANAGERS,
           scope="sites:write", body=ProposalBody, returns={201: (DecisionRow, "The decision.")}),
    change("/api/decisions/{decision}", "advance", "Bring a decision into its next state.",
           lambda request: json(_decided(treatment.advance_decision(request), request)), roles=MANAGERS,
           scope="sites:write", body=StepBody, returns={200: (DecisionRow, "The decision.")}),
    read("/api/stock", "stock", "List the numbers of units in stock.", listed(_stock), roles=MANAGERS,
         scope="sites:read", query=ListQuery, returns={200: (ListPage[UnitStock], "A page of stocks.")}),
    change("/api/stock", "count", "Store the number of units in stock.", answered(treatment.set_stock), roles=MANAGERS,
           scope="sites:write", body=StockBody, returns={200: (UnitStock, "The stock.")}),
    read("/api/units", "units", "List installed treatment units by site.", listed(_units), roles=CAN_MAINTAIN,
         scope="sites:read", query=UnitsQuery, returns={200: (ListPage[UnitRow], "A page of units.")}),
    read("/api/units/{unit:path}/commissioning", "commissioning", "Return how far the commissioning of a unit is.",
         answered(_commissioning), roles=CAN_MAINTAIN, scope="sites:read",
         returns={200: (CommissioningRow, "The commissioning.")}),
    read("/api/commissioning/sheet", "commissioning-sheet", "Return the before-and-after sheet of a unit.",
         treatment.show_sheet, roles=CAN_MAINTAIN, scope="sites:read", query=SheetQuery, files=DOCUMENTS),
    change("/api/commissioning", "set", "Record the setting of a unit, with which its commissioning begins.",
           answered(treatment.record_setting, status=201), roles=CAN_MAINTAIN, scope="sites:write", body=SettingBody,
           returns={201: (Service, "The recorded work.")}),
)
