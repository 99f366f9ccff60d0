"""Typed values as a technician enters them: one step a screen, checked before they are stored."""

from __future__ import annotations

import re
from html import unescape

import pytest

from stripread.store.models.evidence import LabResult

from .conftest import Browser, Served

GIVEN = {"point": "quay-tap", "method": "titration", "hardness": "62.0", "alkalinity": "45"}


@pytest.fixture
def technician(stocked: Served) -> Browser:
    return stocked.role("technician")


def step(text: str) -> str:
    return str(re.findall(r"Step \d of 5 · (\w+)", text)[0])


def test_from_the_point_to_the_result(stocked: Served, technician: Browser) -> None:
    """Each answer has the address of the next step; the values are judged like a laboratory's."""
    assert 'href="/values?point=quay-tap"' in technician.get("/values?search=quay").text
    method = technician.get("/values?point=quay-tap").text
    assert step(method) == "Method"
    form = unescape(re.findall(r'href="(/values\?point[^"]*titration)"', method)[0])
    assert step(technician.get(form).text) == "Values"
    check = technician.post("/values", **GIVEN).text
    assert step(check) == "Check"
    # The last strip of `records` read 320 mg/L there.
    assert "Last strip: 320 mg/L CaCO3," in check
    assert not stocked.store.find(LabResult)
    assert 'value="62.0"' in technician.post("/values", **GIVEN, change="yes").text
    stored = technician.post("/values", **GIVEN, confirmed="yes")
    assert stored.status_code == 303
    assert {(r.analyte, r.value) for r in stocked.store.find(LabResult)} == {("hardness", 62.0), ("alkalinity", 45.0)}
    result = technician.get(stored.headers["location"]).text
    assert step(result) == "Result"
    assert "Values stored: 2." in result
    # Within the default limits of total hardness (assess/data/limits/default.toml).
    assert re.search(r'Total hardness <span class="vh">within limits</span>.*>limits 40 to 90<', result)


@pytest.mark.parametrize(("values", "named"), [
    ({"hardness": "", "alkalinity": ""}, "no value was entered"),
    ({"hardness": "6O"}, "is not a possible value. Enter a number from 0 to"),
    ({"hardness": "62", "u-hardness": "-3"}, "not a possible uncertainty"),
    ({"hardness": "", "u-hardness": "3"}, "an uncertainty was entered without a value")])
def test_what_is_wrong_is_named_with_the_entries(technician: Browser, values: dict[str, str], named: str) -> None:
    answer = technician.post("/values", **{**GIVEN, **values}, confirmed="yes")
    assert answer.status_code == 422
    assert step(answer.text) == "Values"
    assert named in answer.text
    assert f'value="{values["hardness"]}"' in answer.text


def test_an_uncertainty_is_stored_or_assumed(stocked: Served, technician: Browser) -> None:
    """Entered as expanded uncertainty (95 %), stored as standard uncertainty: k = 1.96 (JCGM 100, table G.1)."""
    check = technician.post("/values", **GIVEN, **{"u-hardness": "9.8"}).text
    assert "± 9.8 mg/L CaCO3" in check
    assert check.count("uncertainty assumed") == 1
    assert technician.post("/values", **GIVEN, **{"u-hardness": "9.8"}, confirmed="yes").status_code == 303
    stated = {r.analyte: r.u for r in stocked.store.find(LabResult) if r.u is not None}
    assert stated == pytest.approx({"hardness": 5.0}, rel=1e-3)


def test_a_result_of_no_sample_leads_back(technician: Browser) -> None:
    answer = technician.get("/values?point=quay-tap&result=none-such", follow_redirects=True)
    assert step(answer.text) == "Method"
