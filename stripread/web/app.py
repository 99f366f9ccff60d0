"""Application: all routes, with their handlers and required roles."""

from __future__ import annotations

from typing import Final

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.routing import Route

from stripread.web.api.description import API
from stripread.web.dispatch import dispatcher
from stripread.web.error_handlers import handlers
from stripread.web.middleware import Framing, Headers, Journal, TlsRequirement
from stripread.web.pages import (
    account,
    administration,
    batches,
    bulk_change,
    cards,
    home,
    labels,
    locate,
    manual,
    reading_list,
    readings,
    reports,
    review,
    schedule,
    sites,
    standards,
    take,
    treatment,
    typed_values,
)
from stripread.web.refusals import (
    ADMINISTRATORS,
    ANALYSTS,
    CAN_DOWNLOAD_ORIGINALS,
    CAN_MAINTAIN,
    CAN_TAKE_READINGS,
    MANAGERS,
    REVIEWERS,
)
from stripread.web.request import get, post
from stripread.web.state import AppState

ROUTES: Final = (
    get("/health", home.health, public=True),
    get("/service-worker.js", home.service_worker, public=True),
    get("/manifest.webmanifest", home.manifest, public=True),
    get("/metrics", home.metrics, ADMINISTRATORS, scope="metrics"),
    get("/static/{version}/{name}", home.static, public=True),
    get("/first", account.show_first, public=True),
    post("/first", account.take_first, public=True),
    get("/sign-in", account.show_sign_in, public=True),
    post("/sign-in", account.sign_in, public=True),
    post("/sign-out", account.sign_out),
    get("/", home.show),
    get("/take", take.show, CAN_TAKE_READINGS),
    post("/take/preview", take.preview, CAN_TAKE_READINGS, largest=take.PREVIEW_BYTES, seconds=60.0),
    get("/take/steps", take.steps, CAN_TAKE_READINGS),
    get("/take/data", take.data, CAN_TAKE_READINGS),
    get("/queue", take.queue, CAN_TAKE_READINGS),
    get("/take/uploads/{key}", take.upload, CAN_TAKE_READINGS),
    post("/take/uploads/{key}", take.add_part, CAN_TAKE_READINGS, largest=take.UPLOAD_BYTES, seconds=take.PART_S),
    post("/take/uploads/{key}/discard", take.discard, CAN_TAKE_READINGS),
    post("/take/original", take.original, CAN_TAKE_READINGS, largest=take.ORIGINAL_BYTES, seconds=take.ORIGINAL_S),
    get("/p", take.point_label, CAN_TAKE_READINGS),
    get("/t", take.tube_label, CAN_TAKE_READINGS),
    get("/together", readings.show_combined),
    get("/readings", reading_list.show),
    get("/readings/{reading}", readings.show),
    get("/readings/{reading}/details", readings.details),
    get("/values", typed_values.show, CAN_TAKE_READINGS),
    post("/values", typed_values.take, CAN_TAKE_READINGS),
    get("/commissioning", treatment.show_commissioning, CAN_MAINTAIN),
    post("/commissioning", treatment.set_unit, CAN_MAINTAIN),
    get("/commissioning/sheet", treatment.show_sheet, CAN_MAINTAIN),
    get("/labels", labels.show),
    get("/schedule", schedule.show),
    post("/schedule/done", schedule.tick, CAN_MAINTAIN),
    post("/schedule/undo", schedule.undo, CAN_MAINTAIN),
    post("/schedule/subscribe", schedule.subscribe),
    get("/calendar", schedule.subscribed, public=True),
    post("/readings/{reading}/report", reports.issue, REVIEWERS),
    post("/readings/{reading}/note", readings.note, CAN_TAKE_READINGS),
    post("/readings/{reading}/withdraw", readings.withdraw, CAN_TAKE_READINGS),
    post("/readings/{reading}/restore", readings.restore, CAN_TAKE_READINGS),
    post("/readings/{reading}/move", readings.move),
    get("/readings/{reading}/picture", readings.picture),
    get("/readings/{reading}/pads/{analyte}", readings.pad),
    get("/readings/{reading}/original", readings.original, CAN_DOWNLOAD_ORIGINALS),
    get("/review", review.show, REVIEWERS),
    get("/review/{reading}", review.show_one, REVIEWERS),
    post("/review/{reading}/accept", review.accept, REVIEWERS),
    post("/review/{reading}/reject", review.reject, REVIEWERS),
    post("/review/{reading}/correct", review.correct, REVIEWERS),
    post("/review/{reading}/undo", review.undo, REVIEWERS),
    get("/review/{reading}/locate", locate.show, REVIEWERS),
    post("/review/{reading}/locate", locate.locate, REVIEWERS),
    get("/readings/{reading}/re-evaluate", locate.compare, REVIEWERS),
    post("/readings/{reading}/re-evaluate", locate.supersede, REVIEWERS),
    get("/re-evaluation", locate.show_readings, REVIEWERS),
    get("/sites", sites.show),
    get("/sites/map", sites.show_map),
    get("/sites/import", bulk_change.show_import, MANAGERS),
    post("/sites/import", bulk_change.import_table, MANAGERS, largest=bulk_change.LARGEST),
    get("/sites/intervals", schedule.show_intervals, MANAGERS),
    post("/sites/intervals", schedule.set_intervals, MANAGERS),
    get("/sites/assign", bulk_change.show_units, MANAGERS),
    post("/sites/assign", bulk_change.set_units, MANAGERS),
    get("/sites/limits", bulk_change.show_limits, MANAGERS),
    post("/sites/limits", bulk_change.set_limits, MANAGERS),
    get("/sites/{site:path}/report", sites.report),
    get("/sites/{site:path}", sites.show_site),
    get("/batches", batches.show, ANALYSTS),
    get("/control-chart.svg", batches.control, ANALYSTS),
    post("/batches", batches.add, ANALYSTS),
    get("/batches/{batch:path}/standards", standards.show, ANALYSTS),
    get("/batches/{batch:path}/standards/sheet", standards.sheet, ANALYSTS),
    get("/batches/{batch:path}/standards/labels", standards.labels, ANALYSTS),
    get("/batches/{batch:path}/standards/progress", standards.progress, ANALYSTS),
    post("/batches/{batch:path}/standards/plan", standards.plan, ANALYSTS, largest=standards.PLAN_BYTES),
    post("/batches/{batch:path}/standards/photographs", standards.add, ANALYSTS, largest=standards.PHOTOGRAPH_BYTES,
         seconds=standards.PHOTOGRAPH_S),
    post("/batches/{batch:path}/standards/exclude", standards.exclude, ANALYSTS),
    post("/batches/{batch:path}/standards/fit", standards.fit, ANALYSTS),
    get("/batches/{batch:path}/impact", batches.impact, ANALYSTS),
    get("/batches/{batch:path}", batches.show_batch, ANALYSTS),
    post("/batches/{batch:path}/release", batches.release, ANALYSTS),
    post("/batches/{batch:path}/withdraw", batches.withdraw, ANALYSTS),
    get("/cards", cards.show, ANALYSTS),
    get("/cards/print", cards.printed, ANALYSTS),
    post("/cards", cards.begin, ANALYSTS),
    post("/cards/profile", cards.characterise, ANALYSTS, largest=cards.PROFILE_BYTES),
    post("/cards/photographs", cards.inspect, ANALYSTS, largest=standards.PHOTOGRAPH_BYTES,
         seconds=standards.PHOTOGRAPH_S),
    post("/cards/{card:path}/retire", cards.retire, ANALYSTS),
    get("/decisions", treatment.show_decisions, MANAGERS),
    post("/decisions", treatment.propose, MANAGERS),
    post("/decisions/stock", treatment.count_stock, MANAGERS),
    post("/decisions/{decision}", treatment.advance, MANAGERS),
    get("/reports", reports.show),
    get("/reports/groups/{group:path}", reports.of_group),
    get("/me", account.show),
    post("/me/preferences", account.set_preferences),
    post("/me/password", account.set_password),
    post("/me/sessions", account.close_session),
    post("/me/tokens", account.make_token),
    post("/me/tokens/end", account.end_token),
    get("/system", administration.show_system, ADMINISTRATORS),
    post("/system/backup", administration.back_up_now, ADMINISTRATORS),
    post("/system/integrity", administration.check_integrity, ADMINISTRATORS),
    get("/system/tasks/{task}", administration.task_progress, ADMINISTRATORS),
    post("/system/tasks/{task}/stop", administration.stop_task, ADMINISTRATORS),
    get("/accounts", administration.show_accounts, ADMINISTRATORS),
    post("/accounts", administration.changing(administration.add_account), ADMINISTRATORS),
    post("/accounts/{account}", administration.changing(administration.change_account), ADMINISTRATORS),
    post("/accounts/{account}/groups", administration.changing(administration.restrict_account), ADMINISTRATORS),
    post("/accounts/{account}/sign-in", administration.changing(administration.add_sign_in), ADMINISTRATORS),
    post("/accounts/{account}/password", administration.changing(administration.set_password), ADMINISTRATORS),
    post("/accounts/{account}/end-sessions", administration.changing(administration.end_sessions), ADMINISTRATORS),
    get("/help", manual.index),
    get("/help/{topic}", manual.show),
    get("/help/files/{folder}/{name}", manual.file),
    get("/integration", manual.integration),
    *API,
)


def make_app(state: AppState) -> Starlette:
    """Return the application of one server."""
    routes = [Route(e.path, dispatcher(e, state), methods=[e.method]) for e in ROUTES]
    middleware = [Middleware(Journal, state=state), Middleware(Headers), Middleware(Framing)]
    if state.serving.only_secure:
        middleware.append(Middleware(TlsRequirement))
    if state.serving.hosts:
        middleware.append(Middleware(TrustedHostMiddleware, allowed_hosts=list(state.serving.hosts)))
    middleware.append(Middleware(GZipMiddleware, minimum_size=500, compresslevel=6))
    return Starlette(routes=routes, middleware=middleware, exception_handlers=handlers(state))
