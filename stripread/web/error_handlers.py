"""Conversion of errors to responses: HTML pages for browsers, JSON for programs and scripts."""

from __future__ import annotations

import errno
from collections.abc import Awaitable, Callable, Mapping
from urllib.parse import quote, urlsplit

import msgspec
from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from shared.errors import InputError
from stripread.store.errors import DISK_FULL, ConflictError
from stripread.web import middleware
from stripread.web.authentication import Identity, identify
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import page
from stripread.web.request import RequestContext
from stripread.web.state import AppState

Handler = Callable[[Request, Exception], Awaitable[Response]]
#: Texts for errors raised by Starlette.
_OF_STATUS = {400: "cut", 404: "not-found", 405: "method", 413: "too-large"}
#: Of these, the ones that programs get in other words.
_IN_API = {"not-found": "no-route"}

#: Retry-After for a failed database or disk, seconds.
_STORE_S = 30


class Problem(msgspec.Struct, frozen=True, kw_only=True):
    """Problem details of an error (RFC 9457); ``field``: the affected input."""

    status: int
    title: str
    detail: str = ""
    field: str = ""


def json(content: object, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """JSON response."""
    return Response(msgspec.json.encode(content), status, headers, "application/json")


def handlers(app: AppState) -> dict[int | type[Exception], Handler]:
    """Return the handler of each error type."""
    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPRefusal)  # noqa: S101 - registered for it
        if error.status == 401 and wants_page(request):
            lost = "" if request.method == "GET" else "&lost=yes"
            return RedirectResponse(f"/sign-in?next={quote(_address(request), safe='/')}{lost}", 303)
        title = app.messages(f"refused.{error.message}")
        problem = Problem(status=error.status, title=title, detail=error.detail, field=error.field)
        return await _answer(request, app, problem, wait_s=error.wait_s)

    async def wrong_input(request: Request, error: Exception) -> Response:
        assert isinstance(error, InputError)  # noqa: S101 - registered for it
        if isinstance(error.__cause__, SQLAlchemyError | OSError):
            middleware.fault(request, error)
            words = "disk-full" if _disk_full(error) else "store"
            problem = Problem(status=503, title=app.messages(f"refused.{words}"))
            return await _answer(request, app, problem, wait_s=_STORE_S)
        # The location of the records is disclosed in the server log only.
        where = "" if error.where == app.store.where else error.where
        title = f"{where}: {error.what}" if where else error.what
        detail = "; ".join(filter(None, (error.found and f"found {error.found}",
                                         error.allowed and f"allowed: {error.allowed}", error.remedy)))
        status = 409 if isinstance(error, ConflictError) else 422
        problem = Problem(status=status, title=title, detail=detail, field=error.field or where)
        return await _answer(request, app, problem)

    async def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)  # noqa: S101 - registered for it
        if error.status_code == 405 and request.method == "GET" and wants_page(request):
            # Address of a form, as a rejected form leaves it in the browser: its page is above it.
            return RedirectResponse("/" + quote(request.url.path.rpartition("/")[0].lstrip("/")), 303)
        words = _OF_STATUS.get(error.status_code, "fault")
        title = app.messages(f"refused.{_IN_API.get(words, words) if _of_api(request) else words}")
        return await _answer(request, app, Problem(status=error.status_code, title=title))

    async def fault(request: Request, error: Exception) -> Response:
        middleware.fault(request, error)
        return await _answer(request, app, Problem(status=500, title=app.messages("refused.fault")))

    return {HTTPRefusal: refused, InputError: wrong_input, HTTPException: http, Exception: fault}


def _disk_full(error: InputError) -> bool:
    """Return whether a full disk is the cause of an error of the store."""
    cause = error.__cause__
    return error.what == DISK_FULL or (isinstance(cause, OSError) and cause.errno == errno.ENOSPC)


async def _answer(request: Request, app: AppState, problem: Problem, *, wait_s: int = 0) -> Response:
    if not wants_page(request):
        answer = Response(msgspec.json.encode(problem), problem.status, media_type="application/problem+json")
    else:
        answer = await run_in_threadpool(_problem_page, request, app, problem)
    if problem.status == 401:
        answer.headers["www-authenticate"] = "Bearer"
    if wait_s:
        answer.headers["retry-after"] = str(wait_s)
    return answer


def _problem_page(request: Request, app: AppState, problem: Problem) -> Response:
    context = RequestContext(http=request, app=app, identity=_reader(request, app))
    return page(context, "problem.html", status=problem.status, problem=problem)


def _reader(request: Request, app: AppState) -> Identity | None:
    """Return the signed-in person, for the menu; None for others, and where the store did not say who it is."""
    endpoint = getattr(request.state, "endpoint", None)
    try:
        # A route has asked already: a store that failed is not asked again.
        identity = identify(request, app.store) if endpoint is None else getattr(request.state, "identity", None)
    except (HTTPRefusal, InputError):
        return None
    return identity if identity is not None and identity.scopes is None else None


def wants_page(request: Request) -> bool:
    """Return whether a browser asks for a page, not a script or a program."""
    return not _of_api(request) and "text/html" in request.headers.get("accept", "")


def _of_api(request: Request) -> bool:
    return request.url.path.startswith("/api/")


def _address(request: Request) -> str:
    """Return the address of a GET request; for a form, that of the page of ours that it was on, else the home page."""
    if request.method == "GET":
        return quote(request.url.path) + (f"?{request.url.query}" if request.url.query else "")
    page_ = urlsplit(request.headers.get("referer", ""))
    if page_.netloc != request.headers.get("host"):
        return "/"
    return (page_.path or "/") + (f"?{page_.query}" if page_.query else "")
