"""Dispatch: authentication, authorisation, CSRF check, size and time limits; then the handler, in a thread.

Records that a request names are checked against what its account may see, for every route alike.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from time import perf_counter
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import Message, Receive

from shared.errors import InputError
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Site, SiteGroup, Unit
from stripread.store.partial_uploads import MOST_BYTES
from stripread.web import authentication
from stripread.web.authentication import Identity, identify
from stripread.web.refusals import HTTPRefusal
from stripread.web.request import Endpoint, RequestContext, form_of
from stripread.web.state import AppState

#: Type of the record whose id a parameter of the path, the query or a form contains.
NAMED: Final[dict[str, type[Record]]] = {
    "reading": StoredReading, "replaces": StoredReading, "before": StoredReading, "photograph": Photograph,
    "site": Site, "point": SamplingPoint, "group": SiteGroup, "machine": Machine, "unit": Unit}


def check_reach(request: RequestContext) -> None:
    """Raise HTTPRefusal (404) for a request that names a record which its account may not see."""
    if request.identity is None or request.access.groups is None:
        return
    for name, type_ in NAMED.items():
        for value in {str(request.http.path_params.get(name, "")), *request.http.query_params.getlist(name),
                      *request.form.get(name, [])} - {""}:
            request.demand(type_, value)


_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


def dispatcher(endpoint: Endpoint, app: AppState) -> Callable[[Request], Awaitable[Response]]:
    """Return the endpoint as Starlette calls it."""
    async def answer(request: Request) -> Response:
        request.state.endpoint, request.state.begun = endpoint, perf_counter()
        identity = await run_in_threadpool(identify, request, app.store)
        request.state.account, request.state.identity = identity.account if identity else "", identity
        check(endpoint, identity)
        if endpoint.changes and (identity is None or identity.scopes is None):
            authentication.check_origin(request)
        _check_length(request, endpoint)
        with _counted(request, app, identity), app.uploads.room_for(_size(request, endpoint)):
            form, body = await _content(Request(request.scope, _counting(request.receive, endpoint.largest)), endpoint)
            if endpoint.changes and identity is not None and identity.scopes is None:
                token = request.headers.get(authentication.HEADER) or next(iter(form.get(authentication.FIELD, [])), "")
                authentication.check_token(token, identity.csrf)
            if endpoint.body is not None:
                form, body = form_of(endpoint.body, body), b""
            _check_texts(request, form)
            return await run_in_threadpool(
                _handled, endpoint, RequestContext(http=request, app=app, identity=identity, form=form, body=body))

    return answer


def _handled(endpoint: Endpoint, request: RequestContext) -> Response:
    check_reach(request)
    return endpoint.handler(request)


def _counted(request: Request, app: AppState, identity: Identity | None) -> AbstractContextManager[None]:
    """Exempt the connection of a signed-in account; count other requests by address."""
    if identity is None:
        return app.anonymous.one_of(request.client.host if request.client else "")
    getattr(request.state, "signed_in", lambda: None)()
    return nullcontext()


def _check_length(request: Request, endpoint: Endpoint) -> None:
    """Raise HTTPRefusal (413) for a request that announces more bytes than its route accepts."""
    announced = request.headers.get("content-length", "")
    if announced.isdecimal() and int(announced) > endpoint.largest:
        raise too_large(endpoint.largest)


def too_large(largest: int) -> HTTPRefusal:
    """Return the refusal of a request with more bytes than are accepted."""
    shown = f"{largest / 2**20:g} MB" if largest >= 2**20 else f"{largest / 2**10:g} kB"
    return HTTPRefusal(413, "too-large-photo" if largest >= MOST_BYTES else "too-large",
                       detail=f"allowed: at most {shown}", field="body")


def _counting(receive: Receive, largest: int) -> Receive:
    """Return what receives a request, and raises HTTPRefusal (413) where more bytes arrive than its route accepts."""
    received = 0

    async def counted() -> Message:
        nonlocal received
        message = await receive()
        received += len(message.get("body", b""))
        if received > largest:
            raise too_large(largest)
        return message

    return counted


def _size(request: Request, endpoint: Endpoint) -> int:
    """Return the announced length of a request in bytes, or the largest permitted length."""
    if not endpoint.changes:
        return 0
    announced = request.headers.get("content-length", "")
    return min(int(announced), endpoint.largest) if announced.isdecimal() else endpoint.largest


def check(endpoint: Endpoint, identity: Identity | None) -> None:
    """Raise HTTPRefusal where this user may not use the route."""
    if endpoint.public:
        return
    if identity is None:
        raise HTTPRefusal(401, "sign-in")
    if identity.scopes is not None and endpoint.scope not in identity.scopes:
        raise HTTPRefusal(403, "scope")
    if not endpoint.roles & identity.roles:
        raise HTTPRefusal(403, "role")


def _media_type(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


async def _content(request: Request, endpoint: Endpoint) -> tuple[dict[str, list[str]], bytes]:
    """Return the fields of a form, or the bytes of another body, within the time limit of the route.

    The API has no forms: a program that names no media type, or that of a form, sends JSON or the bytes of a file.
    """
    if not endpoint.changes:
        return {}, b""
    try:
        async with asyncio.timeout(endpoint.seconds):
            if not endpoint.of_api and _media_type(request) in _FORMS:
                return _texts(await request.form(max_files=0, max_fields=100)), b""
            return {}, await request.body()
    except TimeoutError as error:
        raise HTTPRefusal(408, "slow") from error
    except ClientDisconnect as error:
        raise HTTPRefusal(400, "cut") from error


def _check_texts(request: Request, form: Mapping[str, list[str]]) -> None:
    """Raise InputError for a NUL character, which PostgreSQL rejects in text."""
    given = [*request.path_params.items(), *request.query_params.multi_items(),
             *((name, value) for name, values in form.items() for value in values)]
    for name, value in given:
        if "\0" in name or "\0" in str(value):
            raise InputError("contains a NUL character", where=name.replace("\0", "?")[:80],
                             found=repr(str(value)[:80]), allowed="text")


def _texts(form: FormData) -> dict[str, list[str]]:
    return {name: [v for v in form.getlist(name) if isinstance(v, str)] for name in form}
