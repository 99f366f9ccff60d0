"""Every route, for every role and without sign-in: who may, may; everybody else is refused, and nothing happens."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import NoReturn

import pytest
from sqlalchemy.exc import OperationalError

from shared.errors import InputError
from stripread.store import sessions
from stripread.store.errors import DISK_FULL, RecordsError
from stripread.store.models.accounts import ROLES, Role
from stripread.web import authentication
from stripread.web.app import ROUTES
from stripread.web.refusals import EVERYONE
from stripread.web.request import Endpoint
from tests.loops import some

from .conftest import Browser, Served

#: Written down here a second time, so that a slip in the table shows: who may do what beyond what everybody may.
TAKERS = {"technician", "analyst"}
NARROWER = {
    ("GET", "/take"): TAKERS,
    ("GET", "/take/data"): TAKERS,
    ("GET", "/take/steps"): TAKERS,
    ("GET", "/queue"): TAKERS,
    ("GET", "/values"): TAKERS,
    ("POST", "/values"): TAKERS,
    ("GET", "/take/uploads/{key}"): TAKERS,
    ("POST", "/take/uploads/{key}"): TAKERS,
    ("POST", "/take/uploads/{key}/discard"): TAKERS,
    ("POST", "/readings/{reading}/note"): TAKERS,
    ("POST", "/readings/{reading}/withdraw"): TAKERS,
    ("POST", "/readings/{reading}/restore"): TAKERS,
    ("POST", "/take/preview"): TAKERS,
    ("POST", "/take/original"): TAKERS,
    ("GET", "/p"): TAKERS,
    ("GET", "/t"): TAKERS,
    ("GET", "/readings/{reading}/original"): {"reviewer", "administrator"},
    ("POST", "/readings/{reading}/report"): {"reviewer"},
    ("POST", "/schedule/done"): {"technician", "manager"},
    ("POST", "/schedule/undo"): {"technician", "manager"},
    **{(method, f"/sites/{page}"): {"manager"} for method in ("GET", "POST")
       for page in ("import", "intervals", "assign", "limits")},
    **{(method, "/commissioning"): {"technician", "manager"} for method in ("GET", "POST")},
    ("GET", "/commissioning/sheet"): {"technician", "manager"},
    ("GET", "/re-evaluation"): {"reviewer"},
    ("GET", "/control-chart.svg"): {"analyst"},
    **{("GET", f"/batches{path}"): {"analyst"} for path in ("", "/{batch:path}", "/{batch:path}/impact")},
    ("POST", "/batches"): {"analyst"},
    **{("POST", f"/batches/{{batch:path}}/{act}"): {"analyst"} for act in ("release", "withdraw")},
    **{("GET", f"/batches/{{batch:path}}/standards{part}"): {"analyst"}
       for part in ("", "/sheet", "/labels", "/progress")},
    **{("POST", f"/batches/{{batch:path}}/standards/{act}"): {"analyst"}
       for act in ("plan", "photographs", "exclude", "fit")},
    **{("GET", f"/cards{path}"): {"analyst"} for path in ("", "/print")},
    **{("POST", f"/cards{path}"): {"analyst"} for path in ("", "/profile", "/photographs", "/{card:path}/retire")},
    ("GET", "/decisions"): {"manager"},
    **{("POST", f"/decisions{path}"): {"manager"} for path in ("", "/stock", "/{decision}")},
    ("GET", "/review"): {"reviewer"},
    ("GET", "/review/{reading}"): {"reviewer"},
    **{("POST", f"/review/{{reading}}/{act}"): {"reviewer"} for act in ("accept", "reject", "correct", "undo")},
    **{(method, path): {"reviewer"} for method in ("GET", "POST")
       for path in ("/review/{reading}/locate", "/readings/{reading}/re-evaluate")},
    ("GET", "/metrics"): {"administrator"},
    **{("GET", f"/system{path}"): {"administrator"} for path in ("", "/tasks/{task}")},
    **{("POST", f"/system/{act}"): {"administrator"} for act in ("backup", "integrity", "tasks/{task}/stop")},
    ("GET", "/accounts"): {"administrator"},
    ("POST", "/accounts"): {"administrator"},
    ("POST", "/accounts/{account}"): {"administrator"},
    ("POST", "/accounts/{account}/groups"): {"administrator"},
    ("POST", "/accounts/{account}/sign-in"): {"administrator"},
    ("POST", "/accounts/{account}/password"): {"administrator"},
    ("POST", "/accounts/{account}/end-sessions"): {"administrator"},
}
#: Open to those who have not said who they are.
UNKNOWN = {("GET", "/health"), ("GET", "/service-worker.js"), ("GET", "/manifest.webmanifest"),
           ("GET", "/static/{version}/{name}"), ("GET", "/first"), ("POST", "/first"),
           ("GET", "/sign-in"), ("POST", "/sign-in"), ("GET", "/api/openapi.json"), ("GET", "/calendar")}


def label(endpoint: Endpoint) -> str:
    return f"{endpoint.method} {endpoint.path}"


def address(endpoint: Endpoint) -> str:
    return re.sub(r"\{[^}]+\}", "none-such", endpoint.path)


@pytest.fixture(scope="module")
def browsers(shared_server: Served) -> dict[Role | None, Browser]:
    return {None: shared_server.browser(), **{role: shared_server.role(role) for role in ROLES}}


@pytest.fixture(scope="module")
def programs(shared_server: Served) -> dict[str, Browser]:
    """A program for each scope."""
    account = shared_server.account(*ROLES)
    secrets = {scope: sessions.make_token(shared_server.store, account, "a program", (scope,))
               for scope in sessions.SCOPES}
    return {scope: shared_server.browser(authorization=f"Bearer {secret}", accept="application/json")
            for scope, secret in secrets.items()}


def test_the_table_of_ways_is_the_one_written_here() -> None:
    """What is not named in either list is for everybody who has signed in; the API's in `test_api_coverage`."""
    assert {(w.method, w.path): set(w.roles) for w in ROUTES if w.roles != EVERYONE and not w.of_api} == NARROWER
    assert {(w.method, w.path) for w in ROUTES if w.public} == UNKNOWN


@pytest.mark.parametrize("endpoint", [w for w in ROUTES if not w.public], ids=label)
def test_each_route_requires_its_role(endpoint: Endpoint, browsers: dict[Role | None, Browser]) -> None:
    """By the status alone: 303 to the sign-in or 401 if signed out, 403 for a role that may not, neither otherwise."""
    for role, browser in some(browsers.items()):
        if endpoint.path == "/sign-out" and role is not None:
            continue  # would end the session the next ways need; tested with the sessions
        answer = browser.send(endpoint.method, address(endpoint))
        if role is None and endpoint.path.startswith("/api/"):
            assert answer.status_code == 401
        elif role is None:
            assert answer.status_code == 303
            assert answer.headers["location"].startswith("/sign-in?next=")
        elif role in endpoint.roles:
            assert answer.status_code not in (401, 403, 500)
        else:
            assert answer.status_code == 403


@pytest.mark.parametrize("endpoint", [w for w in ROUTES if w.changes], ids=label)
def test_changes_are_asked_for_by_our_own_pages(endpoint: Endpoint, browsers: dict[Role | None, Browser]) -> None:
    """Another site's form, a form without the session's token, and a client that names no origin (OWASP CSRF)."""
    allowed = browsers[None] if endpoint.public else browsers[next(r for r in ROLES if r in endpoint.roles)]
    ours = str(allowed.client.base_url).rstrip("/")
    for headers in ({"origin": "https://elsewhere.example"}, {"sec-fetch-site": "cross-site"}, {"origin": "null"},
                    {"origin": ours, "sec-fetch-site": "same-site"}, {}):
        assert allowed.client.request(endpoint.method, address(endpoint), headers=headers).status_code == 403
    if not endpoint.public:
        for token in ("", "zz", "00" * 64, authentication.masked(authentication.token_of("another session"))):
            headers = {"origin": ours, authentication.HEADER: token}
            assert allowed.client.request(endpoint.method, address(endpoint), headers=headers).status_code == 403


@pytest.mark.parametrize("endpoint", [w for w in ROUTES if not w.public], ids=label)
def test_a_token_opens_what_it_is_for(endpoint: Endpoint, programs: dict[str, Browser]) -> None:
    """Each scope alone, of an account that has every role."""
    for scope, program in some(programs.items()):
        status = program.client.request(endpoint.method, address(endpoint)).status_code
        assert (status in (401, 403)) == (endpoint.scope != scope)


def test_an_invalid_token(served: Served) -> None:
    account = served.account("administrator")
    secret = sessions.make_token(served.store, account, "a program", ("metrics",))
    program = served.browser(authorization=f"Bearer {secret}")
    assert program.get("/metrics").status_code == 200
    sessions.end_token(served.store, account, sessions.tokens_of(served.store, account)[0].hash)
    assert program.get("/metrics").status_code in (303, 401)
    assert served.browser(authorization="Bearer strip_no", accept="*/*").get("/metrics").status_code == 401


def test_security_headers_of_every_response(shared_server: Served) -> None:
    """Pages, refusals and files alike; the policy's words as the CSP Level 3 draft has them."""
    visitor = shared_server.role("technician")
    for path in ("/", "/accounts", "/none-such", "/health", "/sign-in"):
        headers = visitor.get(path).headers
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert "server" not in headers


def test_an_error_page_has_the_menu_of_the_account(shared_server: Served) -> None:
    """An unknown record, an unknown address and a page of another role; without sign-in there is no menu."""
    browser = shared_server.role("reviewer")
    for path, status in (("/readings/none-such", 404), ("/none-such", 404), ("/system", 403),
                         ("/readings?since=x", 422)):
        answer = browser.get(path)
        assert answer.status_code == status
        assert '<a href="/review"' in answer.text, path
    assert 'class="menu"' not in shared_server.browser().get("/none-such").text


@pytest.mark.parametrize(("failed", "status"), [(ZeroDivisionError(), 500), (OperationalError("", {}, OSError()), 503)])
def test_a_fault_is_shown_with_the_menu(
    failed: Exception, status: int, shared_server: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the program and of the store; where the store cannot even say who asks, without a menu."""
    browser, other = shared_server.role("reviewer"), shared_server.role("reviewer")

    def fails(*_args: object) -> NoReturn:
        if status == 503:
            raise InputError("no answer", where="store") from failed
        raise failed

    with monkeypatch.context() as patch:
        patch.setattr("stripread.web.pages.reports.issued_reports", fails)
        answer = browser.get("/reports")
    assert (answer.status_code, '<a href="/review"' in answer.text) == (status, True)
    monkeypatch.setattr("stripread.web.dispatch.identify", fails)
    answer = other.get("/reports")
    assert (answer.status_code, '<a href="/review"' in answer.text, "<h1>" in answer.text) == (status, False, True)


def test_a_full_disk_is_stated_and_fails_the_health_check(
    shared_server: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A probe for health writes nothing; a write that fails states the cause."""
    browser, head = shared_server.role("manager"), shared_server.store.head()
    assert browser.get("/health").status_code == 200
    assert shared_server.store.head() == head

    def fails(*_args: object) -> NoReturn:
        raise RecordsError(DISK_FULL, where="store") from OperationalError("", {}, OSError("disk is full"))

    with monkeypatch.context() as patch:
        patch.setattr("stripread.web.pages.reports.issued_reports", fails)
        answer = browser.send("GET", "/reports", headers={"accept": "application/json"})
    assert answer.status_code == 503
    assert "disk of the server is full" in answer.json()["title"]
    monkeypatch.setattr("shutil.disk_usage", lambda _folder: SimpleNamespace(total=2**30, used=2**30, free=2**20))
    answer = browser.send("GET", "/health", headers={"accept": "application/json"})
    assert (answer.status_code, "disk of the server is full" in answer.json()["title"]) == (503, True)


def test_too_much_is_refused_before_it_is_taken(shared_server: Served) -> None:
    """With a length and in pieces alike; the page has the menu, programs and scripts get problem details (RFC 9457)."""
    visitor = shared_server.role("technician")
    much = b"x" * 70_000
    for content in (much, iter([much])):
        answer = visitor.send("POST", "/me/preferences", content=content)
        assert (answer.status_code, answer.headers["content-type"]) == (413, "text/html; charset=utf-8")
        assert '<a href="/take"' in answer.text
    for content in (much, iter([much])):
        answer = visitor.send("POST", "/me/preferences", content=content, headers={"accept": "application/json"})
        assert (answer.status_code, answer.headers["content-type"]) == (413, "application/problem+json")
        assert (answer.json()["status"], answer.json()["field"]) == (413, "body")
        assert answer.json()["detail"] == "allowed: at most 64 kB"
        assert "photograph" not in answer.json()["title"]


def test_a_name_that_points_here_is_not_ours(shared_server: Served) -> None:
    """Another site's name resolved to this machine (DNS rebinding)."""
    assert shared_server.browser(host="elsewhere.example").get("/sign-in").status_code == 400
