"""The JSON of programs: true to its description, whatever is asked; and the same as the pages say."""

from __future__ import annotations

import csv
import json
import shlex
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from stripread.intake.process import IntakeResult
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.operations.decisions import Decisions, Proposal
from stripread.store import sessions
from stripread.store.models.accounts import ROLES
from stripread.web.api.description import openapi
from stripread.web.app import ROUTES
from stripread.web.capture import PhotoIntake
from tests.documents import blocks, page
from tests.loops import some
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, POINT, Served

DESCRIPTION = json.loads(openapi())
schema = schemathesis.openapi.from_dict(DESCRIPTION)


@pytest.fixture(scope="module")
def token(bench: Served) -> str:
    return sessions.make_token(bench.store, bench.account(*ROLES), "a program", sessions.SCOPES)


@schema.parametrize()
@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
def test_answers_are_as_described(case: schemathesis.Case[Any], bench: Served, token: str) -> None:
    """Whatever is asked, sound or not: no fault of the server, and the status, type and shape that are promised."""
    case.call_and_validate(
        base_url=bench.url, headers={"authorization": f"Bearer {token}"}, timeout=30,
        checks=[not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance,
                response_schema_conformance])


def test_every_way_for_programs_is_described() -> None:
    described = {(method.upper(), path) for path, item in DESCRIPTION["paths"].items() for method in item}
    assert described == {(w.method, w.path.replace(":path", "")) for w in ROUTES if w.of_api}


def test_a_photograph_without_a_reading_is_stored_once(
    bench: Served, token: str, samples: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of a print run without a profile: 201 for the photograph, then 200."""
    monkeypatch.setattr(PhotoIntake, "evaluate", lambda _self, photograph, _replaces: IntakeResult(
        photograph, None, None, "another print run"))
    data = phone_photo(samples / "sites" / "salt-quay.jpg", taken="2031:05:04 09:30:40").data + b"another run"
    with httpx.Client(base_url=f"{bench.url}/api", headers={"authorization": f"Bearer {token}"}, timeout=30) as program:
        first, second = (program.post("/readings", params={"batch": BATCH}, content=data) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 200), first.text
    assert first.json()["reading"] is None


def test_a_photograph_in_and_found_again(bench: Served, token: str, samples: Path) -> None:
    """201, then 200 with the same reading; then in the list, in short, and whole."""
    data = phone_photo(samples / "sites" / "salt-quay.jpg", taken="2031:05:04 09:30:40").data
    with httpx.Client(base_url=f"{bench.url}/api", headers={"authorization": f"Bearer {token}"}, timeout=30) as program:
        asked = {"batch": BATCH, "point": POINT, "dipped": "2031-05-04T09:30:00+02:00"}
        # Without a header of its own, curl sends the media type of a form.
        first, second = (program.post("/readings", params=asked, content=data, headers={"content-type": type_})
                         for type_ in ("application/octet-stream", "application/x-www-form-urlencoded"))
        assert (first.status_code, second.status_code) == (201, 200)
        assert first.json() == second.json()
        id_ = first.json()["reading"]
        assert id_ in [r["id"] for r in program.get("/readings", params={"point": POINT}).json()["items"]]
        nothing = program.get("/readings", params={"point": "none-such"}).json()
        assert nothing == {"items": [], "total": 0, "next": None}
        assert program.get(f"/readings/{id_}").json() == first.json()
        whole = program.get(f"/readings/{id_}/record").json()
        assert [p["value"] for p in whole["reading"]["pads"]] == [v["value"] for v in first.json()["values"]]
        points = {search: [p["id"] for p in program.get("/points", params={"search": search}).json()["items"]]
                  for search in (POINT, "none-such")}
        assert points == {POINT: [POINT], "none-such": []}


def manual_requests(photo: Path, reading: str = "") -> list[tuple[str, str, dict[str, str], bytes]]:
    """Method, address, headers and body of each request of the integrator's page, for the records of `bench`."""
    found = []
    for line in page("integrator").splitlines():
        if line.startswith("curl "):
            words = shlex.split(line)
            headers = dict(words[i + 1].split(": ", 1) for i, word in enumerate(words) if word == "-H")
            given = words[words.index("--json") + 1] if "--json" in words else ""
            address = words[-1].removeprefix("https://water.example.org").replace("READING", reading)
            for theirs, ours in (("limestone-hill/tap", POINT), ("limestone-hill", "mill"), ("2026-A", BATCH),
                                 ("since=2031", "since=2021")):
                address, given = address.replace(theirs, ours), given.replace(theirs, ours)
            body = photo.read_bytes() if "--data-binary" in words else given.encode()
            found.append(("POST" if body else "GET", address, headers, body))
    return found


def test_the_requests_of_the_manual_are_answered(bench: Served, token: str, samples: Path, tmp_path: Path) -> None:
    """Each request of the integrator's page, and the response that it shows."""
    photo = tmp_path / "strip.jpg"
    photo.write_bytes(phone_photo(samples / "sites" / "mill-yard.jpg", taken="2031:05:04 09:30:40").data)
    reading, answers = "", []
    # Of another account than the one that takes: no account reviews its own readings.
    reviewing = sessions.make_token(bench.store, bench.account(*ROLES), "another program", sessions.SCOPES)
    with httpx.Client(base_url=bench.url, timeout=30) as program:
        for i in some(range(len(manual_requests(photo)))):
            method, address, headers, body = manual_requests(photo, reading)[i]
            assert headers.pop("Authorization") == "Bearer $TOKEN"
            answer = program.request(method, address, content=body or None,
                                     headers={**headers, "authorization": f"Bearer {reviewing if reading else token}"})
            assert answer.is_success, (address, answer.text)
            answers.append(answer.json())
            if address.startswith("/api/readings?point"):
                reading = answer.json()["reading"]
    points, taken, listed, short, record, *lists, accepted, report, preview = answers
    assert (accepted["decision"], report["reading"], preview["applied"]) == ("accepted", reading, False)
    assert [p["id"] for p in points["items"]] == [POINT]
    assert reading in [r["id"] for r in listed["items"]]
    assert short == taken
    assert record["id"] == reading
    empty, shown = (json.loads(block) for block in blocks(page("integrator"), "json"))
    assert all(empty.keys() == page_of.keys() for page_of in (points, listed, *lists))
    assert shown.keys() == taken.keys()
    assert shown["values"][0].keys() == taken["values"][0].keys()
    assert shown["flags"][0].keys() == taken["flags"][0].keys()


@pytest.mark.parametrize("asked", [
    ("/readings", "piont=tap", "piont", "site, point, group, batch, search, since, until"),
    ("/points", "site=a", "site", "limit, offset, search"),
    ("/readings/none", "short=1", "short", "no parameters"), ("/readings", "site=a&site=b", "site", "one value"),
    ("/readings", "flag=unheard-of", "flag", "no-card"), ("/readings", "limit=0", "limit", "1 to 200"),
    ("/readings", "since=yesterday", "since", "UTC offset")])
def test_a_wrong_parameter_is_named_with_what_is_allowed(
    bench: Served, token: str, asked: tuple[str, str, str, str]
) -> None:
    """An unknown parameter is an error: ignored, it would give the answer to another question."""
    path, query, field, allowed = asked
    answer = httpx.get(f"{bench.url}/api{path}?{query}", headers={"authorization": f"Bearer {token}"})
    assert (answer.status_code, answer.json()["field"]) == (422, field)
    assert allowed in answer.json()["detail"]


@pytest.mark.parametrize(("asked", "field"), [
    ({"dipped": "2021-05-04T09:30:00+02:00"}, "dipped"), ({"dipped": "half past nine"}, "dipped"),
    ({"point": "none"}, "point"), ({"tube": "none"}, "tube"), ({"batch": "none"}, "batch")])
def test_an_upload_names_the_parameter_that_is_wrong(
    bench: Served, token: str, samples: Path, asked: dict[str, str], field: str
) -> None:
    data = phone_photo(samples / "sites" / "limestone-hill.jpg", taken="2031:05:04 09:30:40").data
    answer = httpx.post(f"{bench.url}/api/readings", params={"batch": BATCH, "point": POINT, **asked}, content=data,
                        headers={"authorization": f"Bearer {token}"}, timeout=30)
    assert (answer.status_code, answer.json()["field"]) == (422, field), answer.text


def followed(program: httpx.Client, address: str) -> list[dict[str, Any]]:
    """Items of all pages of a list, whose total is checked; a page that repeats would not end."""
    items: list[dict[str, Any]] = []
    for _ in range(20):
        shown = program.get(address).raise_for_status().json()
        assert 0 < len(shown["items"]) <= 2
        items += shown["items"]
        if shown["next"] is None:
            assert len(items) == shown["total"]
            return items
        address = shown["next"]
    raise AssertionError(address)


@pytest.mark.parametrize("address", ["/api/readings?limit=2", "/api/points?limit=2&search=tap",
                                     "/api/sites?limit=2&sort=name", "/api/due?limit=2&weeks=60"])
def test_next_leads_through_the_whole_list(stocked: Served, address: str) -> None:
    """Each item once, in the order of the whole list, with the filters of the first request."""
    secret = sessions.make_token(stocked.store, stocked.account(*ROLES), "a program", sessions.SCOPES)
    with httpx.Client(base_url=stocked.url, headers={"authorization": f"Bearer {secret}"}, timeout=30) as program:
        items = followed(program, address)
        assert len(items) > 2
        assert items == program.get(address.replace("limit=2", "limit=200")).json()["items"]


@pytest.mark.parametrize(("page_of", "api", "columns"), [
    ("sites", "sites", ("site", "site")), ("schedule", "due", ("due", "on")), ("batches", "batches", ("batch", "id")),
    ("decisions", "decisions", ("decision", "id"))])
def test_lists_contain_what_the_pages_list(stocked: Served, page_of: str, api: str, columns: tuple[str, str]) -> None:
    """By the file that the page offers for download: the same records in the same order under the same filters."""
    account = stocked.account(*ROLES)
    for site, what in (("quay", "Install a softener"), ("long", "Test again")):
        Decisions(stocked.store, account).propose(load_intervals(), Proposal(site=site, what=what))
    secret = sessions.make_token(stocked.store, account, "a program", sessions.SCOPES)
    browser, program = stocked.browser(account), stocked.browser(authorization=f"Bearer {secret}")
    queries = {"sites": ("verdict=out-of-limits", "sort=name&group=south"), "schedule": ("what=test&sort=site",),
               "batches": ("state=draft",), "decisions": ("state=open&search=softener", "sort=site")}[page_of]
    for query in some(("search=", *queries)):
        file = csv.DictReader(browser.get(f"/{page_of}?{query}&format=csv").text.splitlines())
        rows = program.get(f"/api/{api}?{query}&limit=200").raise_for_status().json()["items"]
        assert [row[columns[0]] for row in file] == [row[columns[1]] for row in rows] != [], query


def test_programs_get_words_for_programs(bench: Served, token: str) -> None:
    """What is missing is a record or an address of the API, not a page."""
    for address, said in (("/readings/none", "no such record"), ("/none", "no such address")):
        answer = httpx.get(f"{bench.url}/api{address}", headers={"authorization": f"Bearer {token}"})
        assert answer.status_code == 404
        assert said in answer.json()["title"]
