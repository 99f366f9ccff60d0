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
from stripread.web.answer_card import answer_card
from stripread.web.capture import PhotoIntake, all_flags, moment_from, should_retake
from stripread.web.error_handlers import json
from stripread.web.partial_uploads import MOST_BYTES, PART_BYTES
from stripread.web.phone_data import phone_data
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.worker_process import PhotoThumbnails

#: Largest preview, part of an upload and original, bytes; time limits of a part and of an original, seconds.
PREVIEW_BYTES, UPLOAD_BYTES, ORIGINAL_BYTES, PART_S, ORIGINAL_S = 2 * 2**20, PART_BYTES, MOST_BYTES, 120.0, 600.0
_KEY_LETTERS = range(16, 65)


def show(ask: RequestContext) -> Response:
    """Return the page of all steps; the phone shows one at a time, also offline."""
    return page(ask, "take.html")


def steps(ask: RequestContext) -> Response:
    """Return the later steps of the page."""
    return page(ask, "take-steps.html")


def data(ask: RequestContext) -> Response:
    """Return sampling points, tubes and charts for the phone."""
    return json(phone_data(ask.house.store, ask.access))


def queue(ask: RequestContext) -> Response:
    """Return the page of queued photographs."""
    return page(ask, "queue.html")


def point_label(ask: RequestContext) -> Response:
    """Redirect from the printed label of a sampling point."""
    return go(f"/take?{urlencode({'point': ask.query('id')})}")


def tube_label(ask: RequestContext) -> Response:
    """Redirect from the printed label of a tube or a batch."""
    name = ask.query("id")
    tube = next(iter(ask.house.store.find(Tube, id=name)), None)
    return go(f"/take?{urlencode({'batch': name} if tube is None else {'batch': tube.batch, 'tube': tube.id})}")


def preview(ask: RequestContext) -> Response:
    """Return a provisional result from a preview image; nothing is stored."""
    reading = PhotoIntake(ask.house, ask.who.account).ahead(ask.body, ask.query("batch"))
    return page(ask, "take-preview.html", reading=reading, noticed=all_flags(reading), again=should_retake(reading),
                rows=value_rows([p for p in reading.pads if p.value is not None], None, ask.who.preferences))


def upload(ask: RequestContext) -> Response:
    """Return how much of an upload has arrived."""
    return json(ask.house.partials.state(ask.who.account, _key(ask)))


def add_part(ask: RequestContext) -> Response:
    """Add a part of a photograph at its offset; 409 with the right offset for another one."""
    text = ask.query("offset")
    if not (text.isascii() and text.isdecimal()):
        raise HTTPRefusal(422, "offset")
    state = ask.house.partials.append(ask.who.account, _key(ask), int(text[:12]), ask.body)
    return json(state, 200 if state.offset == int(text[:12]) + len(ask.body) else 409)


def discard(ask: RequestContext) -> Response:
    """Delete an unfinished upload, so that it starts again."""
    ask.house.partials.discard(ask.who.account, _key(ask))
    return json(ask.house.partials.state(ask.who.account, _key(ask)))


def _key(ask: RequestContext) -> str:
    key = ask.path("key") if "key" in ask.request.path_params else ask.query("upload")
    if len(key) not in _KEY_LETTERS or not key.isalnum():
        raise HTTPRefusal(404, "not-found")
    return key


#: Header with the hash that the phone compares before it deletes its copy.
STORED = "x-stored-sha256"


def original(ask: RequestContext) -> Response:
    """Store, evaluate and assess the original: the body, or the upload with the given key. Idempotent."""
    desk, key = PhotoIntake(ask.house, ask.who.account), _key(ask) if ask.query("upload") else ""
    taken = desk.take(PhotoFile(ask.query("name")[-200:] or "photograph", _bytes(ask, key)), _said(ask),
                      ask.query("replaces") or None)
    if key:
        ask.house.partials.finish(ask.who.account, key, taken.photograph.id)
    answer = _done(ask, taken)
    answer.headers[STORED] = desk.stored_sha256(taken.photograph)
    return answer


def _bytes(ask: RequestContext, key: str) -> bytes:
    """Return the bytes of an original; those of a finished upload are in the store."""
    if not key:
        return ask.body
    finished = ask.house.partials.state(ask.who.account, key).photograph
    found = ask.house.store.photographs.get(finished) if finished else ask.house.partials.contents(
        ask.who.account, key)
    if not found:
        raise HTTPRefusal(409, "no-upload")
    return found


def _said(ask: RequestContext) -> SampleInfo:
    return SampleInfo(
        point=ask.query("point") or None,
        batch=ask.query("batch") or None,
        tube=ask.query("tube") or None,
        dipped=moment_from(ask.query("dipped"), "dipped"),
        note=ask.query("note")[:2000],
    )


def _done(ask: RequestContext, taken: IntakeResult) -> Response:
    return page(ask, "take-done.html", card=answer_card(taken, _views(ask, taken), ask.who.preferences))


def _views(ask: RequestContext, taken: IntakeResult) -> PhotoThumbnails | None:
    """Return the thumbnails of the photograph; None where it has no reading or cannot be decoded."""
    try:
        return ask.house.gallery.of(taken.reading) if taken.reading else None
    except InputError:
        return None
