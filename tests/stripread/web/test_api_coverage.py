"""The API covers what the pages do: each route of the pages has an operation, of the same roles, or a reason."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import httpx
import pytest

from stripread.store import sessions
from stripread.store.audit_trail import chain_links
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.materials import StoredChart, Tube
from stripread.web.app import ROUTES
from tests.loops import some

from .conftest import PASSWORD, Browser, Served
from .records import SOFT, Material, put_reading

#: By route of a page the path of the operation that does the same by the same method, without "/api"; without a
#: method: both methods.
COVERED: Final = {
    "POST /take/original": "/readings", "POST /take/preview": "/previews", "POST /values": "/values",
    "GET /readings": "/readings", "GET /re-evaluation": "/readings", "GET /readings/{reading}": "/readings/{reading}",
    "GET /readings/{reading}/details": "/readings/{reading}/record",
    **{f"GET /readings/{{reading}}/{part}": f"/readings/{{reading}}/{part}" for part in ("picture", "original")},
    **{f"POST /readings/{{reading}}/{act}": f"/readings/{{reading}}/{act}"
       for act in ("note", "withdraw", "restore", "move")},
    "GET /readings/{reading}/re-evaluate": "/readings/{reading}/re-evaluation",
    "POST /readings/{reading}/re-evaluate": "/readings/{reading}/re-evaluation",
    "POST /readings/{reading}/report": "/readings/{reading}/reports", "GET /reports": "/reports",
    "GET /reports/groups/{group:path}": "/groups/{group:path}/report",
    "GET /review": "/review", "GET /review/{reading}": "/review",
    **{f"POST /review/{{reading}}/{act}": f"/review/{{reading}}/{act}"
       for act in ("accept", "reject", "correct", "undo", "locate")},
    "GET /sites": "/sites", "GET /sites/map": "/sites", "GET /sites/{site:path}": "/sites/{site:path}",
    "GET /sites/{site:path}/report": "/sites/{site:path}/report",
    "POST /sites/import": "/changes/table", "POST /sites/intervals": "/changes/intervals",
    "POST /sites/assign": "/changes/units", "POST /sites/limits": "/changes/limits",
    "GET /schedule": "/due", "POST /schedule/done": "/due/done", "POST /schedule/undo": "/due/undo",
    "POST /schedule/subscribe": "/account/tokens",
    "GET /decisions": "/decisions", "POST /decisions": "/decisions",
    "POST /decisions/{decision}": "/decisions/{decision}",
    "POST /decisions/stock": "/stock", "GET /commissioning": "/units/{unit:path}/commissioning",
    "POST /commissioning": "/commissioning", "GET /commissioning/sheet": "/commissioning/sheet",
    "GET /batches": "/batches", "POST /batches": "/batches", "GET /batches/{batch:path}": "/batches/{batch:path}",
    "GET /control-chart.svg": "/batches/{batch:path}/checks",
    "GET /batches/{batch:path}/standards/progress": "/batches/{batch:path}/standards/fit",
    **{f"GET /batches/{{batch:path}}/{part}": f"/batches/{{batch:path}}/{part}"
       for part in ("standards", "standards/sheet", "standards/labels", "impact")},
    **{f"POST /batches/{{batch:path}}/{act}": f"/batches/{{batch:path}}/{act}"
       for act in ("release", "withdraw", *(f"standards/{act}" for act in ("plan", "photographs", "exclude", "fit")))},
    "GET /cards": "/cards", "POST /cards": "/cards", "GET /cards/print": "/card-print",
    "POST /cards/profile": "/card-runs",
    "POST /cards/photographs": "/card-checks", "POST /cards/{card:path}/retire": "/cards/{card:path}/retire",
    "GET /me": "/account", "POST /me/preferences": "/account/preferences", "POST /me/password": "/account/password",
    "POST /me/sessions": "/account/end-session", "POST /me/tokens": "/account/tokens",
    "POST /me/tokens/end": "/account/tokens/end",
    "GET /system": "/system", "POST /system/backup": "/system/backup", "POST /system/integrity": "/system/integrity",
    "GET /system/tasks/{task}": "/system/tasks/{task}", "POST /system/tasks/{task}/stop": "/system/tasks/{task}/stop",
    "GET /accounts": "/accounts", "POST /accounts": "/accounts", "POST /accounts/{account}": "/accounts/{account}",
    **{f"POST /accounts/{{account}}/{act}": f"/accounts/{{account}}/{act}"
       for act in ("groups", "sign-in", "password", "end-sessions")},
}
#: Routes without an operation, by the reason.
PAGES_ONLY: Final = {
    "a program has a token instead of a session": {
        "GET /first", "POST /first", "GET /sign-in", "POST /sign-in", "POST /sign-out"},
    "a step of a page, or a part that it loads": {
        "GET /", "GET /take", "GET /take/steps", "GET /take/data", "GET /queue", "GET /p", "GET /t", "GET /values",
        "GET /together", "GET /labels", "GET /review/{reading}/locate", "GET /sites/import", "GET /sites/intervals",
        "GET /sites/assign", "GET /sites/limits", "GET /readings/{reading}/pads/{analyte}"},
    "parts of an upload over a poor connection; a program sends the photograph at once": {
        "GET /take/uploads/{key}", "POST /take/uploads/{key}", "POST /take/uploads/{key}/discard"},
    "files of the pages and the manual": {
        "GET /service-worker.js", "GET /manifest.webmanifest", "GET /static/{version}/{name}", "GET /help",
        "GET /help/{topic}", "GET /help/files/{folder}/{name}", "GET /integration"},
    "for programs already": {"GET /health", "GET /metrics", "GET /calendar"},
}
#: Pages of one role that list what others may see as well; here the API is as strict as the page of the records.
WIDER: Final = {"GET /re-evaluation", "GET /control-chart.svg"}


def test_each_route_of_the_pages_has_an_operation_or_a_reason() -> None:
    routes = {f"{w.method} {w.path}": w for w in ROUTES if not w.of_api}
    reasons = [route for given in PAGES_ONLY.values() for route in given]
    assert len(reasons) == len(set(reasons))
    assert routes.keys() == COVERED.keys() | set(reasons)
    assert COVERED.keys().isdisjoint(reasons)


def test_an_operation_has_the_roles_of_its_page() -> None:
    """And a scope of its own: what changes records never has one that reads."""
    api = {f"{w.method} {w.path}": w for w in ROUTES if w.of_api}
    pages = {f"{w.method} {w.path}": w for w in ROUTES if not w.of_api}
    for route, path in COVERED.items():
        operation = api[f"{route.partition(' ')[0]} /api{path}"]
        assert route in WIDER or operation.roles == pages[route].roles, route
    assert len(api) > len(COVERED) / 2
    for route, operation in some(api.items()):
        assert operation.public or operation.scope is not None, route
        assert operation.method == "GET" or not str(operation.scope).endswith(":read"), route


#: An act by the API and on the page, with the audit trail's entries; {n} differs between the two.
ACTS: Final[dict[str, tuple[str, dict[str, Any], str, dict[str, Any], int]]] = {
    "accept": ("/review/long-{n}/accept", {"why": "plausible"}, "/review/long-{n}/accept", {"why": "plausible"}, 200),
    "reject": ("/review/long-{n}/reject", {"fault": "water", "why": "wrong tap"}, "/review/long-{n}/reject",
               {"fault": "water", "why": "wrong tap"}, 200),
    "correct": ("/review/quay-2/correct", {"analyte": "ph", "value": 7.4, "uncertainty": 0.2, "why": "meter"},
                "/review/quay-2/correct", {"analyte": "ph", "value": "7.4", "uncertainty": "0.2", "why": "meter"}, 201),
    "undo": ("/review/long-{n}/undo", {}, "/review/long-{n}/undo", {}, 200),
    "note": ("/readings/own-{n}/note", {"note": "tap dripped"}, "/readings/own-{n}/note", {"note": "tap dripped"}, 200),
    "withdraw": ("/readings/own-{n}/withdraw", {"why": "wrong tap"}, "/readings/own-{n}/withdraw", {"why": "wrong tap"},
                 200),
    "restore": ("/readings/own-{n}/restore", {}, "/readings/own-{n}/restore", {}, 200),
    "values": ("/values", {"point": "quay-tap", "method": "meter", "ph": 7.2, "u_ph": 0.1}, "/values",
               {"point": "quay-tap", "method": "meter", "ph": "7.2", "u-ph": "0.1", "confirmed": "yes"}, 201),
    "tube": ("/due/done", {"kind": "tube", "tube": "tube-{n}"}, "/schedule/done", {"kind": "tube", "tube": "tube-{n}"},
             201),
    "undone": ("/due/undo", {"kind": "tube", "done": "tube-{n}"}, "/schedule/undo",
               {"kind": "tube", "done": "tube-{n}"}, 200),
    "propose": ("/decisions", {"site": "quay", "what": "Install a softener"}, "/decisions",
                {"site": "quay", "what": "Install a softener"}, 201),
    "stock": ("/stock", {"catalogue": "particle-filter", "count": 3}, "/decisions/stock",
              {"catalogue": "particle-filter", "count": "3"}, 200),
    "intervals": ("/changes/intervals", {"points": ["quay-tap"], "days": 31, "confirmed": True}, "/sites/intervals",
                  {"point": "long-tap", "days": "31", "confirmed": "yes"}, 200),
    "table": ("/changes/table", {"table": "site,name\nnew-{n},New site\n", "confirmed": True}, "/sites/import",
              {"table": "site,name\nnew-{n},New site\n", "confirmed": "yes"}, 200),
    "batch": ("/batches", {"batch": "new-{n}", "expires": "2031-05-04", "keeps": 90}, "/batches",
              {"batch": "new-{n}", "expires": "2031-05-04", "keeps": "90"}, 201),
    "card": ("/cards", {"card": "card-{n}", "run": 7, "first_used": "2026-05-04"}, "/cards",
             {"card": "card-{n}", "run": "7", "first-used": "2026-05-04"}, 201),
    "retire": ("/cards/card-{n}/retire", {"why": "faded"}, "/cards/card-{n}/retire", {"why": "faded"}, 200),
    "withdraw-chart": ("/batches/A/withdraw", {"why": "wrong standards"}, "/batches/A/withdraw",
                       {"why": "wrong standards"}, 200),
    "account": ("/accounts", {"name": "Ines", "roles": ["analyst"], "sign_in": "ines-{n}", "password": PASSWORD},
                "/accounts", {"name": "Ines", "role": "analyst", "sign-in": "ines-{n}", "password": PASSWORD},
                201),
    "roles": ("/accounts/{other}", {"roles": ["analyst"], "active": False}, "/accounts/{other}",
              {"role": "analyst", "active": "no"}, 200),
    "restrict": ("/accounts/{other}/groups", {"groups": ["north"]}, "/accounts/{other}/groups", {"group": "north"},
                 200),
    "end-sessions": ("/accounts/{other}/end-sessions", {}, "/accounts/{other}/end-sessions", {}, 200),
    "token": ("/account/tokens", {"name": "till", "scopes": ["sites:read"]}, "/me/tokens",
              {"name": "till", "scope": "sites:read"}, 201),
}


@dataclass(frozen=True, slots=True)
class Both:
    """A program and a person of one account with every role; ``others``: two more accounts."""

    served: Served
    program: httpx.Client
    person: Browser
    others: tuple[str, str]

    def entries(self) -> list[tuple[str, str]]:
        """Action and kind of record of all entries of the audit trail."""
        with self.served.store.viewing() as connection:
            return [(entry.action, entry.kind) for link in chain_links(connection) for entry in [link.entry()]]


@pytest.fixture(scope="module")
def both(stocked: Served) -> Both:
    account, store = stocked.account(*ROLES), stocked.store
    with store.writing(account) as work:
        for n in (1, 2):
            work.put(Tube(id=f"tube-{n}", batch="A"), "made")
    for n in (1, 2):
        put_reading(Material(store, account, store.find(StoredChart)[0].chart), f"own {n}", "quay-tap", SOFT,
                    days_ago=1 + n)
    secret = sessions.make_token(store, account, "a program", sessions.SCOPES)
    program = stocked.browser(authorization=f"Bearer {secret}", accept="application/json").client
    for path, body in (("cards", {"card": "card-0", "run": 7}), ("readings/quay-2/reports", {}),
                       ("decisions", {"site": "quay", "what": "Install a softener"})):
        program.post(f"/api/{path}", json=body).raise_for_status()
    return Both(stocked, program, stocked.browser(account), (stocked.account("technician"), stocked.account("manager")))


def filled(given: Any, n: int, both: Both) -> Any:
    if isinstance(given, dict):
        return {name: filled(value, n, both) for name, value in given.items()}
    return given.replace("{n}", str(n)).replace("{other}", both.others[n - 1]) if isinstance(given, str) else given


@pytest.mark.parametrize("act", ACTS)
def test_the_api_does_what_the_page_does(act: str, both: Both) -> None:
    """With the same entries of the audit trail; without a permission, nothing (in the order of the table)."""
    path, body, page, form, status = ACTS[act]
    before = both.entries()
    answer = both.program.post(f"/api{filled(path, 1, both)}", json=filled(body, 1, both))
    assert answer.status_code == status, answer.text
    by_program = both.entries()[len(before):]
    shown = both.person.post(filled(page, 2, both), **filled(form, 2, both))
    assert shown.status_code in (200, 303), shown.text
    by_page = both.entries()[len(before) + len(by_program):]
    assert by_program == by_page != [], act


def test_a_field_that_is_omitted_changes_nothing(both: Both) -> None:
    """Roles of a deactivated account: it remains deactivated."""
    account = both.served.account("technician")
    given: tuple[tuple[dict[str, Any], bool], ...] = (
        ({"roles": ["technician"], "active": False}, False), ({"roles": ["reviewer"]}, False),
        ({"roles": ["reviewer"], "active": True}, True), ({"roles": ["analyst"]}, True))
    for body, active in some(given):
        both.program.post(f"/api/accounts/{account}", json=body).raise_for_status()
        found = both.served.store.get(Account, account)
        assert (found.active, list(found.roles)) == (active, body["roles"])


@pytest.mark.parametrize(("path", "body", "field"), [
    ("/review/long-1/reject", {"fault": "taste", "why": "x"}, "fault"),
    *(("/review/quay-2/correct", {"analyte": "ph", "value": 7.0, "uncertainty": u, "why": "x"}, "uncertainty")
      for u in (-1, 0, 7.5)),
    ("/review/quay-2/correct", {"analyte": "ph", "value": 15, "uncertainty": 1, "why": "x"}, "value"),
    ("/review/long-1/reject", {"fault": "water"}, ""), ("/review/long-1/reject", {"fault": "water", "why": " "}, "why"),
    ("/decisions", {"site": "quay", "unknown": 1}, ""), ("/stock", {"catalogue": "x", "count": 1.5}, "count"),
    ("/stock", {"catalogue": "none-such", "count": 1}, "catalogue"), ("/batches", {"batch": ""}, "batch"),
    ("/changes/intervals", {"points": []}, "points"),
    ("/changes/limits", {"points": ["quay-tap"], "since": "x"}, "since"),
    ("/cards", {"card": "c", "run": 5_000_000}, "run"),
    ("/account/tokens", {"name": "x", "scopes": []}, "name, scopes"),
    ("/system/backup", {}, "settings")])
def test_an_invalid_request_names_its_field_and_changes_nothing(
    path: str, body: dict[str, Any], field: str, both: Both
) -> None:
    before = both.entries()
    answer = both.program.post(f"/api{path}", json=body)
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json"), answer.text
    assert field in answer.json()["field"]
    assert both.entries() == before


def test_a_request_that_is_too_large_gets_problem_details(both: Both) -> None:
    """With a length and in pieces, of JSON and of a file."""
    for path, size in (("/stock", 70_000), ("/card-runs", 2**20 + 1)):
        for content in (b"x" * size, iter([b"x" * size])):
            answer = both.program.post(f"/api{path}", content=content)
            assert (answer.status_code, answer.headers["content-type"]) == (413, "application/problem+json")


def test_bulk_changes_are_previewed(both: Both) -> None:
    """As on the page: what would change, and nothing is stored without `confirmed`."""
    before = both.entries()
    for path, body in some({
            "units": {"points": ["quay-tap"], "catalogue": "none-such"},
            "intervals": {"points": ["hostile-tap"], "days": 8},
            "limits": {"points": ["hostile-tap"], "since": "2031-05-04"}}.items()):
        answer = both.program.post(f"/api/changes/{path}", json=body)
        assert (answer.status_code == 422) == (path == "units"), answer.text
        assert path == "units" or answer.json()["applied"] is False
    assert both.entries() == before


def test_a_token_makes_none_that_may_more(both: Both) -> None:
    account = both.served.account("technician")
    secret = sessions.make_token(both.served.store, account, "a program", ("account", "sites:read"))
    program = both.served.browser(authorization=f"Bearer {secret}", accept="application/json").client
    assert program.post("/api/account/tokens", json={"name": "x", "scopes": ["sites:read"]}).status_code == 201
    assert program.post("/api/account/tokens", json={"name": "x", "scopes": ["readings:take"]}).status_code == 403
    own = program.get("/api/account").json()
    assert [t["scopes"] for t in own["tokens"]].count(["sites:read"]) == 1
    for token in own["tokens"]:
        program.post("/api/account/tokens/end", json={"token": token["hash"]})
    assert program.get("/api/account").status_code == 401


@pytest.mark.parametrize(("address", "columns"), [
    ("cards", ("card", "id")), ("reports", ("report", "id")), ("review", ("reading", "reading")),
    ("accounts", ("account", "id"))])
def test_more_lists_contain_what_the_pages_list(both: Both, address: str, columns: tuple[str, str]) -> None:
    """By the file that the page offers for download, in its order; `next` leads through all."""
    if address == "reports":
        for n in (0, 1, 2):
            issued = both.program.post(f"/api/readings/hostile-{n}/reports", json={}).raise_for_status().json()
            assert both.program.get(f"/api/reports/{issued['id']}").json() == issued
    rows = list(csv.DictReader(both.person.get(f"/{address}?format=csv").text.splitlines()))
    found, link = [], f"/api/{address}?limit=1"
    while link:
        shown = both.program.get(link).raise_for_status().json()
        assert shown["total"] == len(rows)
        found += shown["items"]
        link = shown["next"]
    assert [row[columns[0]] for row in rows] == [row[columns[1]] for row in found] != []


def times(value: Any) -> Iterator[str]:
    """Yield the texts of a response that are times."""
    if isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from times(part)
    elif isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\dT", value):
        yield value


@pytest.mark.parametrize("address", ["readings", "readings/quay-2/record", "review", "reports", "batches/A/impact",
                                     "decisions", "accounts", "account"])
def test_times_have_one_form(address: str, both: Both) -> None:
    """RFC 3339 in UTC with Z, as clients compare them as text."""
    found = list(times(both.program.get(f"/api/{address}").raise_for_status().json()))
    assert found
    assert [t for t in found if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z", t)] == []
