"""Taking a reading: the pages, what the phone stores to work offline, uploads in parts, the result."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Final
from urllib.parse import urlencode

import msgspec
from starlette.responses import Response

from calibration.release import state_of
from shared.errors import InputError
from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo
from stripread.monitoring.latest_results import latest_readings, latest_results
from stripread.monitoring.schedule.intervals import load_intervals, tests_due
from stripread.monitoring.sites import Scope, load_sites
from stripread.reading.photo_file import PhotoFile
from stripread.report.figures.window import Tone, tone, value_rows
from stripread.store import chart_selection
from stripread.store.models.materials import Batch, Tube
from stripread.store.models.sites import Place
from stripread.store.partial_uploads import MOST_BYTES, PART_BYTES
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store
from stripread.web.answer_card import answer_card
from stripread.web.capture import PhotoIntake, all_flags, moment_from, should_retake
from stripread.web.error_handlers import json
from stripread.web.reading_view import glyphs
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.worker_process import PhotoThumbnails

#: Days before the last day of a tube from which the phone warns.
_SOON: Final = timedelta(days=7)


class PhonePoint(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point; ``due``: day of its next test; ``colours``: pads of its last reading, "" without a result."""

    id: str
    site_id: str
    site: str
    name: str
    place: Place
    due: date
    tone: Tone
    colours: tuple[str, ...]


class PhoneTube(msgspec.Struct, frozen=True, kw_only=True):
    """A tube, or a batch without recorded tubes: its reading window, and what is wrong with it ("" where nothing is).

    ``last``: last day on which its strips may be used.
    """

    id: str
    batch: str
    after_s: float
    before_s: float
    wrong: tuple[str, ...]
    last: date | None
    soon: bool


class PhoneData(msgspec.Struct, frozen=True, kw_only=True):
    """``at``: when it was made, by the server's clock."""

    account: str
    at: datetime
    points: list[PhonePoint]
    tubes: list[PhoneTube]


def phone_data(store: Store, access: SiteAccess) -> PhoneData:
    """Return what the phone of an account stores."""
    return PhoneData(account=access.account, at=store.clock(), points=_points(store, access), tubes=_tubes(store))


def _points(store: Store, access: SiteAccess) -> list[PhonePoint]:
    today = store.clock().date()
    inventory = load_sites(store, Scope(access=access), today)
    due = {item.subject: item.on for item in tests_due(
        inventory, latest_results(store, inventory.points), load_intervals(), today)}
    last = latest_readings(store, inventory.points)
    colours = glyphs(store, [reading for reading, _ in last.values()])
    points = []
    for p in inventory.points.values():
        reading, verdict = last.get(p.id, ("", None))
        points.append(PhonePoint(id=p.id, site_id=p.site, site=inventory.sites[p.site].name, name=p.name, place=p.place,
                                 due=due[p.id], tone=tone(verdict), colours=colours.get(reading, ())))
    return sorted(points, key=lambda p: (p.due, p.site, p.name))


def _tubes(store: Store) -> list[PhoneTube]:
    tubes = [tube for batch in chart_selection.batches_with_charts(store) for tube in _of_batch(store, batch)]
    return sorted(tubes, key=lambda t: (bool(t.wrong), t.batch, t.id))


def _of_batch(store: Store, batch: str) -> Iterable[PhoneTube]:
    now = store.clock()
    chart = chart_selection.chart_for(store, batch, now)
    state = state_of(chart.id, chart_selection.releases(store, chart.id), now=now)
    (record,) = store.find(Batch, id=batch)
    for tube in [t for t in store.find(Tube, batch=batch) if t.finished is None] or [Tube(id=batch, batch=batch)]:
        last = tube.last_day(record)
        old = ("batch-expired",) if last is not None and last < now.date() else ()
        yield PhoneTube(id=tube.id, batch=batch, after_s=chart.strip.read_after_s, before_s=chart.strip.read_before_s,
                        wrong=(*state, *old), last=last,
                        soon=last is not None and not old and last - now.date() <= _SOON)


#: Largest preview, part of an upload and original, bytes; time limits of a part and of an original, seconds.
PREVIEW_BYTES, UPLOAD_BYTES, ORIGINAL_BYTES, PART_S, ORIGINAL_S = 2 * 2**20, PART_BYTES, MOST_BYTES, 120.0, 600.0
_KEY_LETTERS = range(16, 65)


def show(request: RequestContext) -> Response:
    """Return the page of all steps; the phone shows one at a time, also offline."""
    return page(request, "take.html")


def steps(request: RequestContext) -> Response:
    """Return the later steps of the page."""
    return page(request, "take-steps.html")


def data(request: RequestContext) -> Response:
    """Return sampling points, tubes and charts for the phone."""
    return json(phone_data(request.store, request.access))


def queue(request: RequestContext) -> Response:
    """Return the page of queued photographs."""
    return page(request, "queue.html")


def point_label(request: RequestContext) -> Response:
    """Redirect from the printed label of a sampling point."""
    return go(f"/take?{urlencode({'point': request.query('id')})}")


def tube_label(request: RequestContext) -> Response:
    """Redirect from the printed label of a tube or a batch."""
    name = request.query("id")
    tube = next(iter(request.store.find(Tube, id=name)), None)
    return go(f"/take?{urlencode({'batch': name} if tube is None else {'batch': tube.batch, 'tube': tube.id})}")


def preview(request: RequestContext) -> Response:
    """Return a provisional result from a preview image; nothing is stored."""
    reading = PhotoIntake(request.app, request.account).ahead(
        request.body, request.query("batch"), request.query("tube") or None)
    return page(request, "take-preview.html", reading=reading, noticed=all_flags(reading), again=should_retake(reading),
                rows=value_rows([p for p in reading.pads if p.value is not None], None, request.notation))


def upload(request: RequestContext) -> Response:
    """Return how much of an upload has arrived."""
    return json(request.app.partials.state(request.account, _key(request)))


def add_part(request: RequestContext) -> Response:
    """Add a part of a photograph at its offset; 409 with the right offset for another one."""
    text = request.query("offset")
    if not (text.isascii() and text.isdecimal()):
        raise HTTPRefusal(422, "offset")
    offset = int(text[:12])
    if offset + len(request.body) > MOST_BYTES:
        raise HTTPRefusal(413, "too-large-photo", field="body")
    state = request.app.partials.append(request.account, _key(request), offset, request.body)
    return json(state, 200 if state.offset == offset + len(request.body) else 409)


def discard(request: RequestContext) -> Response:
    """Delete an unfinished upload, so that it starts again."""
    request.app.partials.discard(request.account, _key(request))
    return json(request.app.partials.state(request.account, _key(request)))


def _key(request: RequestContext) -> str:
    key = request.path("key") if "key" in request.http.path_params else request.query("upload")
    if len(key) not in _KEY_LETTERS or not key.isalnum():
        raise HTTPRefusal(404, "not-found")
    return key


#: Header with the hash that the phone compares before it deletes its copy.
STORED = "x-stored-sha256"


def original(request: RequestContext) -> Response:
    """Store, evaluate and assess the original: the body, or the upload with the given key. Idempotent."""
    desk, key = PhotoIntake(request.app, request.account), _key(request) if request.query("upload") else ""
    taken = desk.take(PhotoFile(request.query("name")[-200:] or "photograph", _bytes(request, key)), _said(request),
                      request.query("replaces") or None)
    if key:
        request.app.partials.finish(request.account, key, taken.photograph.id)
    answer = _done(request, taken)
    answer.headers[STORED] = desk.stored_sha256(taken.photograph)
    return answer


def _bytes(request: RequestContext, key: str) -> bytes:
    """Return the bytes of an original; those of a finished upload are in the store."""
    if not key:
        return request.body
    finished = request.app.partials.state(request.account, key).photograph
    data = request.store.photographs.get(finished) if finished else request.app.partials.contents(
        request.account, key)
    if not data:
        raise HTTPRefusal(409, "no-upload")
    return data


def _said(request: RequestContext) -> SampleInfo:
    return SampleInfo(
        point=request.query("point") or None,
        batch=request.query("batch") or None,
        tube=request.query("tube") or None,
        dipped=moment_from(request.query("dipped"), "dipped"),
        note=request.query("note")[:2000],
    )


def _done(request: RequestContext, taken: IntakeResult) -> Response:
    return page(request, "take-done.html", card=answer_card(taken, _views(request, taken), request.notation))


def _views(request: RequestContext, taken: IntakeResult) -> PhotoThumbnails | None:
    """Return the thumbnails of the photograph; None where it has no reading or cannot be decoded."""
    try:
        return request.app.gallery.of(taken.reading) if taken.reading else None
    except InputError:
        return None
