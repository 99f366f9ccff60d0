"""What a technician does with an own reading: note, withdraw with a reason, restore."""

from __future__ import annotations

from starlette.responses import Response

from stripread.review import session
from stripread.store.models.evidence import StoredReading
from stripread.web.error_handlers import json, wants_page
from stripread.web.rendering import go
from stripread.web.request import RequestContext


def note(ask: RequestContext) -> Response:
    """Set the note of the photograph."""
    session.set_note(ask.house.store, ask.who.account, _reading(ask), ask.field("note"))
    return _done(ask)


def withdraw(ask: RequestContext) -> Response:
    """Withdraw the reading, with a reason."""
    session.withdraw_own(ask.house.store, ask.who.account, _reading(ask), ask.field("why"))
    return _done(ask)


def restore(ask: RequestContext) -> Response:
    """Take back the withdrawal."""
    session.restore_own(ask.house.store, ask.who.account, _reading(ask))
    return _done(ask)


def _reading(ask: RequestContext) -> str:
    return ask.one(StoredReading, ask.path("reading")).id


def _done(ask: RequestContext) -> Response:
    """Return to the reading; a script of the answer card needs no page."""
    return go(f"/readings/{ask.path('reading')}") if wants_page(ask.request) else json({"status": "ok"})
