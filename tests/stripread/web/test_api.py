"""The JSON of programs: true to its description, whatever is asked; and the same as the pages say."""

from __future__ import annotations

import json
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

from stripread.store import tokens
from stripread.web.api.handlers import openapi
from stripread.web.app import ROUTES
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, POINT, Served

DESCRIPTION = json.loads(openapi())
schema = schemathesis.openapi.from_dict(DESCRIPTION)


@pytest.fixture(scope="module")
def token(bench: Served) -> str:
    account = bench.account("technician")
    return tokens.make_token(bench.store, account, "a program", ("readings:read", "readings:take"))


@schema.parametrize()
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_answers_are_as_described(case: schemathesis.Case[Any], bench: Served, token: str) -> None:
    """Whatever is asked, sound or not: no fault of the server, and the status, type and shape that are promised."""
    case.call_and_validate(
        base_url=bench.url, headers={"authorization": f"Bearer {token}"}, timeout=30,
        checks=[not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance,
                response_schema_conformance])


def test_every_way_for_programs_is_described() -> None:
    described = {(method.upper(), path) for path, item in DESCRIPTION["paths"].items() for method in item}
    assert described == {(w.method, w.path) for w in ROUTES if w.path.startswith("/api/")}


def test_a_photograph_in_and_found_again(bench: Served, token: str, samples: Path) -> None:
    """201, then 200 with the same reading; then in the list, in short, and whole."""
    data = phone_photo(samples / "sites" / "salt-quay.jpg", taken="2031:05:04 09:30:40").data
    with httpx.Client(base_url=f"{bench.url}/api", headers={"authorization": f"Bearer {token}"}, timeout=30) as program:
        asked = {"batch": BATCH, "point": POINT, "dipped": "2031-05-04T09:30:00+02:00"}
        first, second = (program.post("/readings", params=asked, content=data) for _ in range(2))
        assert (first.status_code, second.status_code) == (201, 200)
        assert first.json() == second.json()
        id_ = first.json()["reading"]
        assert id_ in [r["id"] for r in program.get("/readings", params={"point": POINT}).json()]
        assert program.get("/readings", params={"point": "none-such"}).json() == []
        assert program.get(f"/readings/{id_}").json() == first.json()
        whole = program.get(f"/readings/{id_}/record").json()
        assert [p["value"] for p in whole["reading"]["pads"]] == [v["value"] for v in first.json()["values"]]
        points = {search: [p["id"] for p in program.get("/points", params={"search": search}).json()]
                  for search in (POINT, "none-such")}
        assert points == {POINT: [POINT], "none-such": []}
