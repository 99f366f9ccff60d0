"""Standards of a strip batch: plan and sheet, photographs matched by label, exclusions, fit of the chart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Final

import msgspec
from starlette.responses import Response

from calibration.chart import Chart
from calibration.standards_plan.file import MOST_PLAN_BYTES
from calibration.standards_plan.preparation import Preparation, prepared
from shared.analytes import ANALYTES
from shared.decoders import from_json
from shared.errors import InputError, MismatchError
from stripread.intake.standards import (
    LabelledPhoto,
    StandardInfo,
    StandardsIntake,
    exclude_photograph,
    plan_standards,
    standards_of,
)
from stripread.reading.photo_file import PhotoFile
from stripread.report.figures.quality import with_uncertainty
from stripread.report.standards import labels_page, sheet_page
from stripread.review.batch_calibration import BatchCalibration, FitOrder
from stripread.review.session import give_a_reason
from stripread.store.models.materials import (
    Batch,
    PrintRun,
    StandardPhotograph,
    StandardSolution,
    StandardsSet,
    StoredChart,
)
from stripread.store.partial_uploads import MOST_BYTES
from stripread.web import worker_process
from stripread.web.error_handlers import json
from stripread.web.jobs import JobProgress
from stripread.web.pages.reports import REPORT_POLICY
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.worker import WorkerExecutor

#: Largest form with a plan, each byte of which may need three when encoded; largest photograph; its time limit.
PLAN_BYTES, PHOTOGRAPH_BYTES, PHOTOGRAPH_S = 3 * MOST_PLAN_BYTES + 4096, MOST_BYTES, 600.0
_TEMPLATE: Final = "data/standards-plan.toml"


@dataclass(frozen=True, slots=True)
class StandardLine:
    """A solution with its photographs, and the lights under which it is still to be photographed."""

    solution: StandardSolution
    photographs: tuple[StandardPhotograph, ...]
    missing: tuple[str, ...]


def show(request: RequestContext) -> Response:
    """Return the page."""
    return _shown(request)


def plan(request: RequestContext) -> Response:
    """Store the plan of the standards."""
    try:
        store_plan(request)
    except InputError as error:
        return _shown(request, status=422, wrong=error.message, text=request.field("plan"))
    return go(_address(request))


def store_plan(request: RequestContext) -> StandardsSet:
    """Store the plan of the standards and return them."""
    text, batch = request.field("plan").replace("\r\n", "\n"), _batch(request).id
    if len(text.encode()) > MOST_PLAN_BYTES:
        raise MismatchError("the plan is too large", where="the plan", found=f"{len(text.encode())} bytes",
                            allowed=f"up to {MOST_PLAN_BYTES}")
    plan_standards(request.store, request.account, batch, text)
    return standards_of(request.store, batch)


def batch_standards(request: RequestContext) -> StandardsSet:
    """Return the standards of the batch of the address."""
    return standards_of(request.store, _batch(request).id)


def sheet(request: RequestContext) -> Response:
    """Return the preparation sheet, for printing."""
    return _printed(request, sheet_page)


def labels(request: RequestContext) -> Response:
    """Return the labels for bottles and photographs, for printing."""
    return _printed(request, labels_page)


def add(request: RequestContext) -> Response:
    """Store a photograph (the body) and match it; the page sends one at a time."""
    found = match_photograph(request)
    return json({"text": request.app.messages("standards.matched", standard=found.standard, light=found.light)})


def match_photograph(request: RequestContext) -> StandardPhotograph:
    """Store a photograph (the body) and match it with its solution; return the match."""
    desk = StandardsIntake(request.store, request.account, _batch(request).id, lambda file: from_json(
        request.app.workers.do(worker_process.look_for_label, file=file), LabelledPhoto))
    return desk.receive(PhotoFile(request.query("name")[-200:] or "photograph", request.body),
                        StandardInfo(light=request.query("light")[:80], standard=request.query("standard") or None))


def exclude(request: RequestContext) -> Response:
    """Exclude a photograph from the next fit with a reason, or include it again."""
    try:
        set_exclusion(request)
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go(f"{_address(request)}#photographs")


def set_exclusion(request: RequestContext) -> StandardsSet:
    """Exclude a photograph from the next fit with a reason, or include it again; return the standards."""
    why, batch = request.field("why").strip(), _batch(request).id
    if not request.field("include"):
        give_a_reason(why, f"batch {batch}")
    exclude_photograph(request.store, request.account, batch, request.field("sha256"),
                       "" if request.field("include") else why)
    return standards_of(request.store, batch)


def fit(request: RequestContext) -> Response:
    """Start the fit of the chart and the check standards on it."""
    if not start_fit(request):
        return _shown(request, status=409, wrong=request.app.messages("system.running"))
    return go(_address(request))


def start_fit(request: RequestContext) -> bool:
    """Start the fit of the chart and the check standards on it; return False while one is running."""
    app, run = request.app, request.one(PrintRun, request.field("profile"))
    desk = BatchCalibration(app.store, request.account, _batch(request).id)

    def work(progress: JobProgress) -> str:
        def fitted(order: FitOrder, report: Callable[[int, int], None]) -> Chart:
            return from_json(app.workers.do_alone(
                worker_process.fit, lambda step: report(*from_json(step, tuple[int, int])), order=order), Chart)

        chart = desk.fit(run.id, fitted, lambda done, total: progress.report(
            done, total, app.messages("standards.observing" if done < total else "standards.fitting")))
        progress.report(0, 0, app.messages("standards.checking"))
        checked = desk.check(chart, WorkerExecutor(app.workers))
        return app.messages("standards.fitted", n=chart.conditions.photographs, checked=checked)

    return app.jobs.start(fit_task(request), request.account, work)


def progress(request: RequestContext) -> Response:
    """Return the state of the fit, for the page that polls it."""
    state = request.app.jobs.state(fit_task(request))
    return json(state) if state else json({}, 404)


def fit_task(request: RequestContext) -> str:
    """Return the name of the task that fits the chart of the batch of the address."""
    return f"fit {_batch(request).id}"


def _batch(request: RequestContext) -> Batch:
    return request.one(Batch, request.path("batch"))


def _address(request: RequestContext) -> str:
    path = request.http.url.path
    return path if path.endswith("/standards") else path.rpartition("/")[0]


def _printed(request: RequestContext, make: Callable[[Preparation], bytes]) -> Response:
    known = batch_standards(request)
    if not known.plan:
        raise InputError("no standards are planned", where=f"batch {known.batch}", remedy="store a plan first")
    return Response(make(prepared(known.plan.encode(), "the plan")), media_type="text/html; charset=utf-8",
                    headers={"content-security-policy": REPORT_POLICY})


def _lines(known: StandardsSet) -> list[StandardLine]:
    """Return the solutions with their photographs; those still to be photographed first."""
    found = []
    for solution in known.solutions:
        mine = tuple(p for p in known.photographs if p.standard == solution.standard)
        taken = [p.light for p in mine if not p.excluded]
        found.append(StandardLine(solution, mine, tuple(light for light in solution.lights if light not in taken)))
    return sorted(found, key=lambda line: not line.missing)


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "", text: str = "") -> Response:
    store, batch = request.store, _batch(request)
    known = standards_of(store, batch.id)
    charts = store.find(StoredChart, batch=batch.id)
    latest = max(charts, key=lambda c: c.at, default=None)
    suspects = {s.photo: s for s in latest.chart.suspects} if latest else {}
    runs = sorted(store.find(PrintRun), key=lambda r: r.at, reverse=True)
    return page(
        request, "standards.html", status=status, wrong=wrong, batch=batch, known=known, lines=_lines(known),
        text=text or known.plan or _template(batch.id), suspects=suspects, runs=runs, latest=latest,
        lights=sorted({light for s in known.solutions for light in s.lights} | {p.light for p in known.photographs}),
        task=request.app.jobs.state(fit_task(request)), here=_address(request), with_uncertainty=with_uncertainty,
        units={id_: a.unit for id_, a in ANALYTES.items()})


def _template(batch: str) -> str:
    """Return the plan of a fictitious laboratory with the batch's name."""
    text = files("calibration").joinpath(_TEMPLATE).read_text("utf-8")
    return text.replace('batch = "demo-24"', f"batch = {msgspec.json.encode(batch).decode()}")
