"""One change of many sampling points: shown first, applied when the preview is confirmed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from starlette.responses import Response

from shared.errors import InputError
from stripread.web.rendering import go
from stripread.web.request import RequestContext

C = TypeVar("C")


def preview_or_apply(request: RequestContext, shown: Callable[..., Response], then: str,
                     changes_of: Callable[[Sequence[str]], Sequence[C]],
                     apply: Callable[[Sequence[C]], object]) -> Response:
    """Return the page with the changes of the chosen points; apply them and go to ``then`` once confirmed.

    ``shown`` is called with the request and with ``changes``, or with ``status`` and ``wrong``.
    """
    chosen = request.form.get("point", [])
    try:
        changes = changes_of(chosen)
    except InputError as error:
        return shown(request, status=422, wrong=error.message)
    if not chosen:
        return shown(request, status=422, wrong=request.app.messages("intervals.none-chosen"))
    if not request.field("confirmed"):
        return shown(request, changes=changes)
    apply(changes)
    return go(then)
