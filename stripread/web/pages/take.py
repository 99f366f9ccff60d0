"""Taking a reading: the page, what the phone stores to work offline, uploads in parts, the result."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.responses import Response

from shared.errors import InputError
from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo
from stripread.reading.photo_file import PhotoFile
from stripread.report.figures.value_row import value_rows
from stripread.store.models.materials import Tube
from stripread.store.partial_uploads import MOST_BYTES, PART_BYTES
from stripread.web.answer_card import answer_card
from stripread.web.capture import PhotoIntake, all_flags, moment_from, should_retake
from stripread.web.error_handlers import json
from stripread.web.phone_data import phone_data
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.worker_process import PhotoThumbnails

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
        raise HTTPRefusal(413, "too-large")
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
    found = request.store.photographs.get(finished) if finished else request.app.partials.contents(
        request.account, key)
    if not found:
        raise HTTPRefusal(409, "no-upload")
    return found


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
