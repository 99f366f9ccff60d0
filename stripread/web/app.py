"""Application: all routes, with their handlers and required roles."""

from __future__ import annotations

from typing import Final

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.routing import Route

from stripread.web.api.handlers import API
from stripread.web.dispatch import endpoint
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

WAYS: Final = (
    Endpoint(method="GET", path="/health", act=home.health, unknown=True),
    Endpoint(method="GET", path="/service-worker.js", act=home.service_worker, unknown=True),
    Endpoint(method="GET", path="/manifest.webmanifest", act=home.manifest, unknown=True),
    Endpoint(method="GET", path="/metrics", act=home.metrics, roles=ADMINISTRATORS, scope="metrics"),
    Endpoint(method="GET", path="/static/{version}/{name}", act=home.static, unknown=True),
    Endpoint(method="GET", path="/first", act=sign_in.show_first, unknown=True),
    Endpoint(method="POST", path="/first", act=sign_in.take_first, unknown=True),
    Endpoint(method="GET", path="/sign-in", act=sign_in.show, unknown=True),
    Endpoint(method="POST", path="/sign-in", act=sign_in.take, unknown=True),
    Endpoint(method="POST", path="/sign-out", act=sign_in.leave),
    Endpoint(method="GET", path="/", act=home.show),
    Endpoint(method="GET", path="/take", act=take.show, roles=CAN_TAKE_READINGS),
    Endpoint(
        method="POST",
        path="/take/preview",
        act=take.preview,
        roles=CAN_TAKE_READINGS,
        largest=take.PREVIEW_BYTES,
        seconds=60.0,
    ),
    Endpoint(method="GET", path="/take/steps", act=take.steps, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/take/data", act=take.data, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/queue", act=take.queue, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/take/uploads/{key}", act=take.upload, roles=CAN_TAKE_READINGS),
    Endpoint(
        method="POST",
        path="/take/uploads/{key}",
        act=take.add_part,
        roles=CAN_TAKE_READINGS,
        largest=take.UPLOAD_BYTES,
        seconds=take.PART_S,
    ),
    Endpoint(method="POST", path="/take/uploads/{key}/discard", act=take.discard, roles=CAN_TAKE_READINGS),
    Endpoint(
        method="POST",
        path="/take/original",
        act=take.original,
        roles=CAN_TAKE_READINGS,
        largest=take.ORIGINAL_BYTES,
        seconds=take.ORIGINAL_S,
    ),
    Endpoint(method="GET", path="/p", act=take.point_label, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/t", act=take.tube_label, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/together", act=readings.show_combined),
    Endpoint(method="GET", path="/readings", act=reading_list.show),
    Endpoint(method="GET", path="/readings/{reading}", act=readings.show),
    Endpoint(method="GET", path="/readings/{reading}/details", act=readings.details),
    Endpoint(method="GET", path="/values", act=typed_values.show, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/values", act=typed_values.take, roles=CAN_TAKE_READINGS),
    Endpoint(method="GET", path="/commissioning", act=commissioning.show, roles=CAN_MAINTAIN),
    Endpoint(method="POST", path="/commissioning", act=commissioning.set_unit, roles=CAN_MAINTAIN),
    Endpoint(method="GET", path="/commissioning/sheet", act=commissioning.sheet, roles=CAN_MAINTAIN),
    Endpoint(method="GET", path="/labels", act=labels.show),
    Endpoint(method="GET", path="/schedule", act=schedule.show),
    Endpoint(method="POST", path="/schedule/done", act=schedule.tick, roles=CAN_MAINTAIN),
    Endpoint(method="POST", path="/schedule/undo", act=schedule.undo, roles=CAN_MAINTAIN),
    Endpoint(method="POST", path="/schedule/subscribe", act=schedule.subscribe),
    Endpoint(method="GET", path="/calendar", act=schedule.subscribed, unknown=True),
    Endpoint(method="POST", path="/readings/{reading}/report", act=reports.issue, roles=REVIEWERS),
    Endpoint(method="POST", path="/readings/{reading}/note", act=readings.note, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/readings/{reading}/withdraw", act=readings.withdraw, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/readings/{reading}/restore", act=readings.restore, roles=CAN_TAKE_READINGS),
    Endpoint(method="POST", path="/readings/{reading}/move", act=readings.move),
    Endpoint(method="GET", path="/readings/{reading}/picture", act=readings.picture),
    Endpoint(method="GET", path="/readings/{reading}/pads/{analyte}", act=readings.pad),
    Endpoint(method="GET", path="/readings/{reading}/original", act=readings.original, roles=CAN_DOWNLOAD_ORIGINALS),
    Endpoint(method="GET", path="/review", act=review.show, roles=REVIEWERS),
    Endpoint(method="GET", path="/review/{reading}", act=review.show_one, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/accept", act=review.accept, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/reject", act=review.reject, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/correct", act=review.correct, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/undo", act=review.undo, roles=REVIEWERS),
    Endpoint(method="GET", path="/review/{reading}/locate", act=locate.show, roles=REVIEWERS),
    Endpoint(method="POST", path="/review/{reading}/locate", act=locate.locate, roles=REVIEWERS),
    Endpoint(method="GET", path="/readings/{reading}/re-evaluate", act=locate.compare, roles=REVIEWERS),
    Endpoint(method="POST", path="/readings/{reading}/re-evaluate", act=locate.supersede, roles=REVIEWERS),
    Endpoint(method="GET", path="/re-evaluation", act=re_evaluation.show, roles=REVIEWERS),
    Endpoint(method="GET", path="/sites", act=sites.show),
    Endpoint(method="GET", path="/sites/map", act=sites.show_map),
    Endpoint(method="GET", path="/sites/import", act=import_tables.show, roles=MANAGERS),
    Endpoint(
        method="POST", path="/sites/import", act=import_tables.take, roles=MANAGERS, largest=import_tables.LARGEST
    ),
    Endpoint(method="GET", path="/sites/intervals", act=import_tables.intervals, roles=MANAGERS),
    Endpoint(method="POST", path="/sites/intervals", act=import_tables.set_intervals, roles=MANAGERS),
    Endpoint(method="GET", path="/sites/assign", act=unit_assignment.show, roles=MANAGERS),
    Endpoint(method="POST", path="/sites/assign", act=unit_assignment.assign, roles=MANAGERS),
    Endpoint(method="GET", path="/sites/{site:path}/report", act=site.report),
    Endpoint(method="GET", path="/sites/{site:path}", act=site.show),
    Endpoint(method="GET", path="/batches", act=batches.show, roles=ANALYSTS),
    Endpoint(method="GET", path="/control-chart.svg", act=batches.control, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches", act=batches.add, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards", act=standards.show, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards/sheet", act=standards.sheet, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards/labels", act=standards.labels, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/standards/progress", act=standards.progress, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/plan", act=standards.plan, roles=ANALYSTS,
             largest=standards.PLAN_BYTES),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/photographs", act=standards.add, roles=ANALYSTS,
             largest=standards.PHOTOGRAPH_BYTES, seconds=standards.PHOTOGRAPH_S),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/exclude", act=standards.exclude, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/standards/fit", act=standards.fit, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}/impact", act=batch.impact, roles=ANALYSTS),
    Endpoint(method="GET", path="/batches/{batch:path}", act=batch.show, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/release", act=batch.release, roles=ANALYSTS),
    Endpoint(method="POST", path="/batches/{batch:path}/withdraw", act=batch.withdraw, roles=ANALYSTS),
    Endpoint(method="GET", path="/cards", act=cards.show, roles=ANALYSTS),
    Endpoint(method="GET", path="/cards/print", act=cards.printed, roles=ANALYSTS),
    Endpoint(method="POST", path="/cards", act=cards.begin, roles=ANALYSTS),
    Endpoint(method="POST", path="/cards/profile", act=cards.characterise, roles=ANALYSTS,
             largest=cards.PROFILE_BYTES),
    Endpoint(method="POST", path="/cards/photographs", act=cards.inspect, roles=ANALYSTS,
             largest=standards.PHOTOGRAPH_BYTES, seconds=standards.PHOTOGRAPH_S),
    Endpoint(method="POST", path="/cards/{card:path}/retire", act=cards.retire, roles=ANALYSTS),
    Endpoint(method="GET", path="/decisions", act=decisions.show, roles=MANAGERS),
    Endpoint(method="POST", path="/decisions", act=decisions.propose, roles=MANAGERS),
    Endpoint(method="POST", path="/decisions/stock", act=decisions.count, roles=MANAGERS),
    Endpoint(method="POST", path="/decisions/{decision}", act=decisions.advance, roles=MANAGERS),
    Endpoint(method="GET", path="/reports", act=reports.show),
    Endpoint(method="GET", path="/reports/groups/{group:path}", act=reports.of_group),
    Endpoint(method="GET", path="/me", act=account.show),
    Endpoint(method="POST", path="/me/preferences", act=account.set_preferences),
    Endpoint(method="POST", path="/me/password", act=account.set_password),
    Endpoint(method="POST", path="/me/sessions", act=account.close_session),
    Endpoint(method="POST", path="/me/tokens", act=account.make_token),
    Endpoint(method="POST", path="/me/tokens/end", act=account.end_token),
    Endpoint(method="GET", path="/system", act=system.show, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/system/backup", act=system.back_up_now, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/system/integrity", act=system.check_integrity, roles=ADMINISTRATORS),
    Endpoint(method="GET", path="/system/tasks/{task}", act=system.progress, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/system/tasks/{task}/stop", act=system.stop, roles=ADMINISTRATORS),
    Endpoint(method="GET", path="/accounts", act=accounts.show, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts", act=accounts.add, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}", act=accounts.change, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/groups", act=accounts.restrict, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/sign-in", act=accounts.add_sign_in, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/password", act=accounts.set_password, roles=ADMINISTRATORS),
    Endpoint(method="POST", path="/accounts/{account}/end-sessions", act=accounts.end_sessions, roles=ADMINISTRATORS),
    Endpoint(method="GET", path="/help", act=manual.index),
    Endpoint(method="GET", path="/help/{topic}", act=manual.show),
    Endpoint(method="GET", path="/help/files/{folder}/{name}", act=manual.file),
    Endpoint(method="GET", path="/integration", act=manual.integration),
    *API,
)


def make_app(house: AppState) -> Starlette:
    """Return the application of one server."""
    routes = [Route(way.path, endpoint(way, house), methods=[way.method], max_body_size=way.largest) for way in WAYS]
    middleware = [Middleware(Journal, house=house), Middleware(Headers), Middleware(Framing)]
    if house.serving.only_secure:
        middleware.append(Middleware(TlsRequirement))
    if house.serving.hosts:
        middleware.append(Middleware(TrustedHostMiddleware, allowed_hosts=list(house.serving.hosts)))
    middleware.append(Middleware(GZipMiddleware, minimum_size=500, compresslevel=6))
    return Starlette(routes=routes, middleware=middleware, exception_handlers=handlers(house))
