"""Application: all routes, with their handlers and required roles."""

from __future__ import annotations

from typing import Final

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.routing import Route

from stripread.web.api.handlers import API
from stripread.web.dispatch import dispatcher
from stripread.web.error_handlers import handlers
from stripread.web.headers import Framing, Headers, TlsRequirement
from stripread.web.journal import Journal
from stripread.web.pages import (
    account,
    accounts,
    batch,
    batches,
    cards,
    commissioning,
    decisions,
    home,
    import_tables,
    labels,
    limit_assignment,
    locate,
    manual,
    re_evaluation,
    reading_list,
    readings,
    reports,
    review,
    schedule,
    sign_in,
    site,
    sites,
    standards,
    system,
    take,
    typed_values,
    unit_assignment,
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
from stripread.web.routes import Endpoint
from stripread.web.state import AppState

ROUTES: Final = (
    Endpoint(method="GET", path="/health", handler=home.health, public=True),
    Endpoint(method="GET", path="/service-worker.js", handler=home.service_worker, public=True),
    Endpoint(method="GET", path="/manifest.webmanifest", handler=home.manifest, public=True),
    Endpoint(method="GET", path="/metrics", handler=home.metrics, roles=ADMINISTRATORS, scope="metrics"),
    Endpoint(method="GET", path="/static/{version}/{name}", handler=home.static, public=True),
    Endpoint(method="GET", path="/first", handler=sign_in.show_first, public=True),
    Endpoint(method="POST", path="/first", handler=sign_in.take_first, public=True),
    Endpoint(method="GET", path="/sign-in", handler=sign_in.show, public=True),
    Endpoint(method="POST", path="/sign-in", handler=sign_in.take, public=True),
    Endpoint(method="POST", path="/sign-out", handler=sign_in.leave),
    Endpoint(method="GET", path="/", handler=home.show),
    Endpoint(method="GET", path="/take", handler=take.show, roles=CAN_TAKE_READINGS),
    Endpoint(
        method="POST",
        path="/take/preview",
        handler=take.preview,
        roles=CAN_TAKE_READINGS,
        largest=take.PREVIEW_BYTES,
        seconds=60.0,
    ),
    Endpoint(method="GET", path="/take/steps", handler=take.steps, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/take/data", handler=take.data, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/queue", handler=take.queue, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/take/uploads/{key}", handler=take.upload, roles=CAN_TAKE_READINGS),
    Endpoint(
        method="POST",
        path="/take/uploads/{key}",
        handler=take.add_part,
        roles=CAN_TAKE_READINGS,
        largest=take.UPLOAD_BYTES,
        seconds=take.PART_S,
    ),
    Endpoint(method="POST", path="/take/uploads/{key}/discard", handler=take.discard, roles=CAN_TAKE_READINGS),
    Endpoint(
        method="POST",
        path="/take/original",
        handler=take.original,
        roles=CAN_TAKE_READINGS,
        largest=take.ORIGINAL_BYTES,
        seconds=take.ORIGINAL_S,
    ),
    Endpoint(method="GET", path="/p", handler=take.point_label, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/t", handler=take.tube_label, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/together", handler=readings.show_combined),
    Endpoint(method="GET", path="/readings", handler=reading_list.show),
    Endpoint(method="GET", path="/readings/{reading}", handler=readings.show),
    Endpoint(method="GET", path="/readings/{reading}/details", handler=readings.details),
    Endpoint(method="GET", path="/values", handler=typed_values.show, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/values", handler=typed_values.take, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/commissioning", handler=commissioning.show, roles=CAN_MAINTAIN),
    Endpoint(method="POST", path="/commissioning", handler=commissioning.set_unit, roles=CAN_MAINTAIN),
    Endpoint(method="GET", path="/commissioning/sheet", handler=commissioning.sheet, roles=CAN_MAINTAIN),
    Endpoint(method="GET", path="/labels", handler=labels.show),
    Endpoint(method="GET", path="/schedule", handler=schedule.show),
    Endpoint(method="POST", path="/schedule/done", handler=schedule.tick, roles=CAN_MAINTAIN),
    Endpoint(method="POST", path="/schedule/undo", handler=schedule.undo, roles=CAN_MAINTAIN),
    Endpoint(method="POST", path="/schedule/subscribe", handler=schedule.subscribe),
    Endpoint(method="GET", path="/calendar", handler=schedule.subscribed, public=True),
    Endpoint(method="POST", path="/readings/{reading}/report", handler=reports.issue, roles=REVIEWERS),
    Endpoint(method="POST", path="/readings/{reading}/note", handler=readings.note, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/readings/{reading}/withdraw", handler=readings.withdraw, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/readings/{reading}/restore", handler=readings.restore, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/readings/{reading}/move", handler=readings.move),
    Endpoint(method="GET", path="/readings/{reading}/picture", handler=readings.picture),
    Endpoint(method="GET", path="/readings/{reading}/pads/{analyte}", handler=readings.pad),
    Endpoint(method="GET", path="/readings/{reading}/original", handler=readings.original,
             roles=CAN_DOWNLOAD_ORIGINALS),
    Endpoint(method="GET", path="/review", handler=review.show, roles=REVIEWERS),
    Endpoint(method="GET", path="/review/{reading}", handler=review.show_one, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/accept", handler=review.accept, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/reject", handler=review.reject, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/correct", handler=review.correct, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/undo", handler=review.undo, roles=REVIEWERS),
    Endpoint(method="GET", path="/review/{reading}/locate", handler=locate.show, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/locate", handler=locate.locate, roles=REVIEWERS),
    Endpoint(method="GET", path="/readings/{reading}/re-evaluate", handler=locate.compare, roles=REVIEWERS),
    Endpoint(method="POST", path="/readings/{reading}/re-evaluate", handler=locate.supersede, roles=REVIEWERS),
    Endpoint(method="GET", path="/re-evaluation", handler=re_evaluation.show, roles=REVIEWERS),
    Endpoint(method="GET", path="/sites", handler=sites.show),
    Endpoint(method="GET", path="/sites/map", handler=sites.show_map),
    Endpoint(method="GET", path="/sites/import", handler=import_tables.show, roles=MANAGERS),
    Endpoint(
        method="POST", path="/sites/import", handler=import_tables.take, roles=MANAGERS, largest=import_tables.LARGEST
    ),
    Endpoint(method="GET", path="/sites/intervals", handler=import_tables.intervals, roles=MANAGERS),
    Endpoint(method="POST", path="/sites/intervals", handler=import_tables.set_intervals, roles=MANAGERS),
    Endpoint(method="GET", path="/sites/assign", handler=unit_assignment.show, roles=MANAGERS),
    Endpoint(method="POST", path="/sites/assign", handler=unit_assignment.assign, roles=MANAGERS),
    Endpoint(method="GET", path="/sites/limits", handler=limit_assignment.show, roles=MANAGERS),
    Endpoint(method="POST", path="/sites/limits", handler=limit_assignment.assign, roles=MANAGERS),
    Endpoint(method="GET", path="/sites/{site:path}/report", handler=site.report),
    Endpoint(method="GET", path="/sites/{site:path}", handler=site.show),
    Endpoint(method="GET", path="/batches", handler=batches.show, roles=ANALYSTS),
    Endpoint(method="GET", path="/control-chart.svg", handler=batches.control, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches", handler=batches.add, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards", handler=standards.show, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards/sheet", handler=standards.sheet, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards/labels", handler=standards.labels, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards/progress", handler=standards.progress, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/plan", handler=standards.plan, roles=ANALYSTS,
             largest=standards.PLAN_BYTES),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/photographs", handler=standards.add, roles=ANALYSTS,
             largest=standards.PHOTOGRAPH_BYTES, seconds=standards.PHOTOGRAPH_S),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/exclude", handler=standards.exclude, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/fit", handler=standards.fit, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/impact", handler=batch.impact, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}", handler=batch.show, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/release", handler=batch.release, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/withdraw", handler=batch.withdraw, roles=ANALYSTS),
    Endpoint(method="GET", path="/cards", handler=cards.show, roles=ANALYSTS),
    Endpoint(method="GET", path="/cards/print", handler=cards.printed, roles=ANALYSTS),
    Endpoint(method="POST", path="/cards", handler=cards.begin, roles=ANALYSTS),
    Endpoint(method="POST", path="/cards/profile", handler=cards.characterise, roles=ANALYSTS,
             largest=cards.PROFILE_BYTES),
    Endpoint(method="POST", path="/cards/photographs", handler=cards.inspect, roles=ANALYSTS,
             largest=standards.PHOTOGRAPH_BYTES, seconds=standards.PHOTOGRAPH_S),
    Endpoint(method="POST", path="/cards/{card:path}/retire", handler=cards.retire, roles=ANALYSTS),
    Endpoint(method="GET", path="/decisions", handler=decisions.show, roles=MANAGERS),
    Endpoint(method="POST", path="/decisions", handler=decisions.propose, roles=MANAGERS),
    Endpoint(method="POST", path="/decisions/stock", handler=decisions.count, roles=MANAGERS),
    Endpoint(method="POST", path="/decisions/{decision}", handler=decisions.advance, roles=MANAGERS),
    Endpoint(method="GET", path="/reports", handler=reports.show),
    Endpoint(method="GET", path="/reports/groups/{group:path}", handler=reports.of_group),
    Endpoint(method="GET", path="/me", handler=account.show),
    Endpoint(method="POST", path="/me/preferences", handler=account.set_preferences),
    Endpoint(method="POST", path="/me/password", handler=account.set_password),
    Endpoint(method="POST", path="/me/sessions", handler=account.close_session),
    Endpoint(method="POST", path="/me/tokens", handler=account.make_token),
    Endpoint(method="POST", path="/me/tokens/end", handler=account.end_token),
    Endpoint(method="GET", path="/system", handler=system.show, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/system/backup", handler=system.back_up_now, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/system/integrity", handler=system.check_integrity, roles=ADMINISTRATORS),
    Endpoint(method="GET", path="/system/tasks/{task}", handler=system.progress, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/system/tasks/{task}/stop", handler=system.stop, roles=ADMINISTRATORS),
    Endpoint(method="GET", path="/accounts", handler=accounts.show, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts", handler=accounts.add, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}", handler=accounts.change, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/groups", handler=accounts.restrict, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/sign-in", handler=accounts.add_sign_in, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/password", handler=accounts.set_password, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/end-sessions", handler=accounts.end_sessions,
             roles=ADMINISTRATORS),
    Endpoint(method="GET", path="/help", handler=manual.index),
    Endpoint(method="GET", path="/help/{topic}", handler=manual.show),
    Endpoint(method="GET", path="/help/files/{folder}/{name}", handler=manual.file),
    Endpoint(method="GET", path="/integration", handler=manual.integration),
    *API,
)


def make_app(state: AppState) -> Starlette:
    """Return the application of one server."""
    routes = [Route(e.path, dispatcher(e, state), methods=[e.method], max_body_size=e.largest) for e in ROUTES]
    middleware = [Middleware(Journal, state=state), Middleware(Headers), Middleware(Framing)]
    if state.serving.only_secure:
        middleware.append(Middleware(TlsRequirement))
    if state.serving.hosts:
        middleware.append(Middleware(TrustedHostMiddleware, allowed_hosts=list(state.serving.hosts)))
    middleware.append(Middleware(GZipMiddleware, minimum_size=500, compresslevel=6))
    return Starlette(routes=routes, middleware=middleware, exception_handlers=handlers(state))
