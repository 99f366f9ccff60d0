"""Strip batches and cards by the API: standards, fit, check standards, release and withdrawal; print runs, checks."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Final, Literal

import msgspec
from starlette.responses import Response

from calibration.checks import Check
from shared.card import default_card
from stripread.store.models.materials import Card, CardInspection, PrintRun, StandardPhotograph, StandardsSet
from stripread.web.api.operations import (
    Body,
    ListPage,
    ListQuery,
    NameQuery,
    ReasonBody,
    Remark,
    Why,
    answered,
    change,
    listed,
    read,
)
from stripread.web.batches_view import BatchLine, ChartState
from stripread.web.error_handlers import json
from stripread.web.jobs import JobState
from stripread.web.listing import BatchOrder, chosen_batches
from stripread.web.pages import batches, cards, standards
from stripread.web.pages.cards import CardLine, RunLine, Sheet, State
from stripread.web.refusals import ANALYSTS, HTTPRefusal
from stripread.web.request import RequestContext


class BatchesQuery(ListQuery, frozen=True):
    """Parameters of the list of strip batches, as on the page Batches."""

    search: Annotated[str, msgspec.Meta(description="Part of the ID of the batch or of the name of its strips.")] = ""
    state: Annotated[ChartState, msgspec.Meta(
        description="State of the chart in use; none: the batch has no chart.")] = "none"
    sort: Annotated[BatchOrder, msgspec.Meta(
        description="Order [default: expiry, the latest expiry date first].")] = "expiry"


class CardsQuery(ListQuery, frozen=True):
    """Parameters of the list of cards, as on the page Cards."""

    search: Annotated[str, msgspec.Meta(description="Part of the ID of the card, or its print run.")] = ""
    state: Annotated[State, msgspec.Meta(description="Whether the cards are in use.")] = "used"
    sort: Annotated[Literal["run", "name"], msgspec.Meta(
        description="Order [default: run, cards in use first].")] = "run"


class PrintQuery(msgspec.Struct, frozen=True):
    """Parameters of a printed card."""

    run: Annotated[str, msgspec.Meta(description="Number of the print run.")]
    sheet: Annotated[Sheet, msgspec.Meta(description="Size of the page [default: card].")] = "card"


class StandardQuery(NameQuery, frozen=True):
    """Parameters of a photograph of a standard."""

    light: Annotated[str, msgspec.Meta(description="Light under which it was taken, as in the plan.")] = ""
    standard: Annotated[str, msgspec.Meta(
        description="ID of the solution; empty: a label in the photograph names it.")] = ""


class CardPhotoQuery(NameQuery, frozen=True):
    """Parameters of a photograph of a card."""

    card: Annotated[str, msgspec.Meta(description="ID of the card; empty: only its print run is known.")] = ""
    ruler: Annotated[str, msgspec.Meta(description="Length of the card's bar by a ruler, mm.")] = ""


class BatchBody(Body, frozen=True):
    """A strip batch; ``keeps``: days for which an opened tube may be used."""

    batch: str
    expires: date | None = None
    keeps: Annotated[int, msgspec.Meta(ge=1, le=3650)] | None = None


class PlanBody(Body, frozen=True):
    """Plan of standards (TOML), as `stripread standards plan` takes it."""

    plan: str


class ExclusionBody(Body, frozen=True):
    """A photograph of a standard that the next fit excludes for a reason, or includes again."""

    sha256: str
    why: Remark = ""
    include: bool = False


class FitBody(Body, frozen=True):
    """Card profile of the print run with which the standards were photographed."""

    profile: str


class ReleaseBody(Body, frozen=True):
    """Last day of a release, and its reason."""

    until: date
    why: Why


class CardBody(Body, frozen=True):
    """A card of a print run that is taken into use."""

    card: str
    run: int
    first_used: date | None = None


class BatchRow(msgspec.Struct, frozen=True, kw_only=True):
    """A strip batch with the state of its chart.

    ``chart``: ID of the chart in use, None without one. ``released_until``: end of its release. ``open_tubes`` of all
    ``tubes``; ``readings``: number of current readings that the account may see.
    """

    id: str
    strip: str
    expires: date | None
    keeps_days: int | None
    state: ChartState
    chart: str | None
    released_until: datetime | None
    open_tubes: int
    tubes: int
    readings: int


class CheckRow(msgspec.Struct, frozen=True, kw_only=True):
    """A check standard read on the chart in use: known value with its standard uncertainty, measured value, score."""

    standard: str
    analyte: str
    unit: str
    light: str
    photograph: str
    known: float
    u_known: float
    measured: float
    zeta: float
    verdict: Literal["pass", "warning", "fail"]


class CardRow(msgspec.Struct, frozen=True, kw_only=True):
    """A card with its last check and the number of its checks."""

    id: str
    run: int
    first_used: date | None
    retired: date | None
    checks: int
    last_check: CardInspection | None


class RunRow(msgspec.Struct, frozen=True, kw_only=True):
    """A print run with its current profile (ID) and its cards in use.

    CIEDE2000 of its patches from the design: median and largest, null for the profile of another card layout.
    """

    profile: str
    run: int
    at: datetime
    cards: int
    median_delta_e: float | None
    largest_delta_e: float | None


def _batch_row(line: BatchLine) -> BatchRow:
    b = line.batch
    return BatchRow(
        id=b.id, strip=b.strip, expires=b.expires, keeps_days=b.keeps_days, state=line.state,
        chart=line.chart.id if line.chart else None, released_until=line.until, open_tubes=line.in_use,
        tubes=len(line.tubes), readings=line.readings)


def _check_row(c: Check) -> CheckRow:
    p = c.pair
    return CheckRow(standard=p.sample, analyte=p.read.analyte, unit=p.read.unit, light=p.light, photograph=p.photo,
                    known=p.known, u_known=p.u_known, measured=p.read.value, zeta=c.zeta, verdict=c.verdict)


def _card_row(line: CardLine) -> CardRow:
    c = line.card
    return CardRow(id=c.id, run=c.run, first_used=c.first_used, retired=c.retired, checks=line.checks,
                   last_check=line.last)


def _run_row(line: RunLine) -> RunRow:
    s, found = line.stored, line.summary
    return RunRow(profile=s.id, run=s.run, at=s.at, cards=line.in_use,
                  median_delta_e=found.median if found else None, largest_delta_e=found.largest if found else None)


def _runs(request: RequestContext) -> list[RunLine]:
    return cards.print_runs(request.store.find(PrintRun), request.store.find(Card), default_card())


def _registered(request: RequestContext) -> RunRow:
    run, _ = cards.register_run(request)
    return next(_run_row(line) for line in _runs(request) if line.stored.run == run)


def _fit(request: RequestContext) -> Response:
    if not standards.start_fit(request):
        raise HTTPRefusal(409, "running")
    return json(_fit_state(request), 202)


def _fit_state(request: RequestContext) -> JobState:
    state = request.app.jobs.state(standards.fit_task(request))
    if state is None:
        raise HTTPRefusal(404, "no-record")
    return state


_LINE: Final = {200: (BatchRow, "The batch.")}
_SET: Final = {200: (StandardsSet, "The standards of the batch.")}
_PHOTOGRAPH: Final = "The bytes of the photograph: JPEG, PNG, TIFF, WebP or HEIC."
_UPLOAD: Final = (standards.PHOTOGRAPH_BYTES, standards.PHOTOGRAPH_S)
_BATCH: Final = "/api/batches/{batch:path}"
BATCHES: Final = (
    read("/api/batches", "batches", "List strip batches with the state of their charts.",
         listed(chosen_batches, _batch_row), roles=ANALYSTS, scope="batches:read", query=BatchesQuery,
         returns={200: (ListPage[BatchRow], "A page of batches.")}),
    change("/api/batches", "add-batch", "Record a strip batch.", answered(batches.add_batch, _batch_row, 201),
           roles=ANALYSTS, scope="batches:write", body=BatchBody, returns={201: (BatchRow, "The batch.")}),
    read(f"{_BATCH}/checks", "checks", "List the check standards read on the chart in use, largest score first.",
         listed(lambda request: batches.checked_standards(request, batches.batch_line(request)), _check_row),
         roles=ANALYSTS, scope="batches:read", query=ListQuery,
         returns={200: (ListPage[CheckRow], "A page of check standards.")}),
    change(f"{_BATCH}/release", "release", "Release the chart of a batch, if it passes the release gate.",
           answered(batches.release_batch, _batch_row), roles=ANALYSTS, scope="batches:write", body=ReleaseBody,
           returns=_LINE),
    change(f"{_BATCH}/withdraw", "withdraw-chart", "Withdraw the chart of a batch with a reason.",
           answered(batches.withdraw_batch, _batch_row), roles=ANALYSTS, scope="batches:write", body=ReasonBody,
           returns=_LINE),
    read(f"{_BATCH}/standards", "standards", "Return the standards of a batch: plan, solutions, photographs.",
         answered(standards.batch_standards), roles=ANALYSTS, scope="batches:read", returns=_SET),
    change(f"{_BATCH}/standards/plan", "plan", "Store the plan of the standards.", answered(standards.store_plan),
           roles=ANALYSTS, scope="batches:write", body=PlanBody, limits=(standards.PLAN_BYTES, 20.0), returns=_SET),
    read(f"{_BATCH}/standards/sheet", "sheet", "Return the preparation sheet of the standards.", standards.sheet,
         roles=ANALYSTS, scope="batches:read", files=("text/html",)),
    read(f"{_BATCH}/standards/labels", "labels", "Return the labels for bottles and photographs.", standards.labels,
         roles=ANALYSTS, scope="batches:read", files=("text/html",)),
    change(f"{_BATCH}/standards/photographs", "add-standard", "Store a photograph of a standard and match it.",
           answered(standards.match_photograph, status=201), roles=ANALYSTS, scope="batches:write",
           query=StandardQuery, uploads=_PHOTOGRAPH, limits=_UPLOAD,
           returns={201: (StandardPhotograph, "The photograph with its solution.")}),
    change(f"{_BATCH}/standards/exclude", "exclude", "Exclude a photograph from the next fit, or include it again.",
           answered(standards.set_exclusion), roles=ANALYSTS, scope="batches:write", body=ExclusionBody, returns=_SET),
    change(f"{_BATCH}/standards/fit", "fit", "Start the fit of the chart and the check standards on it.", _fit,
           roles=ANALYSTS, scope="batches:write", body=FitBody, more_errors=(409,),
           returns={202: (JobState, "The task.")}),
    read(f"{_BATCH}/standards/fit", "fit-state", "Return the state of the fit.", answered(_fit_state), roles=ANALYSTS,
         scope="batches:read", returns={200: (JobState, "The task.")}),
    read(_BATCH, "batch", "Return a strip batch with the state of its chart.", answered(batches.batch_line, _batch_row),
         roles=ANALYSTS, scope="batches:read", returns=_LINE),
)
CARDS: Final = (
    read("/api/cards", "cards", "List cards with their last check, cards in use first.",
         listed(cards.chosen_cards, _card_row), roles=ANALYSTS, scope="batches:read", query=CardsQuery,
         returns={200: (ListPage[CardRow], "A page of cards.")}),
    change("/api/cards", "add-card", "Record a card that is taken into use.", answered(cards.add_card, _card_row, 201),
           roles=ANALYSTS, scope="batches:write", body=CardBody, returns={201: (CardRow, "The card.")}),
    read("/api/card-runs", "card-runs", "List print runs with their card profiles, the highest number first.",
         listed(_runs, _run_row), roles=ANALYSTS, scope="batches:read", query=ListQuery,
         returns={200: (ListPage[RunRow], "A page of print runs.")}),
    change("/api/card-runs", "add-run", "Register a card profile.", answered(_registered, status=201), roles=ANALYSTS,
           scope="batches:write", query=NameQuery, uploads="The card profile (CGATS.17 text).",
           limits=(cards.PROFILE_BYTES, 20.0), returns={201: (RunRow, "The print run.")}),
    read("/api/card-print", "print-card", "Return the card of a print run for printing.", cards.printed,
         roles=ANALYSTS, scope="batches:read", query=PrintQuery, files=("application/pdf",)),
    change("/api/card-checks", "check-card", "Store a photograph of a card and the check of the card in it.",
           answered(cards.inspect_card, status=201), roles=ANALYSTS, scope="batches:write", query=CardPhotoQuery,
           uploads=_PHOTOGRAPH, limits=_UPLOAD, returns={201: (CardInspection, "The check.")}),
    read("/api/cards/{card:path}/checks", "card-checks", "List the checks of a card, latest first.",
         listed(cards.card_checks), roles=ANALYSTS, scope="batches:read", query=ListQuery,
         returns={200: (ListPage[CardInspection], "A page of checks.")}),
    change("/api/cards/{card:path}/retire", "retire", "Retire a card with a reason.",
           answered(cards.end_card, _card_row), roles=ANALYSTS, scope="batches:write", body=ReasonBody,
           returns={200: (CardRow, "The card.")}),
)
