"""Strip batches: list, page of one batch, release and withdrawal by form."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from itertools import product
from urllib.parse import quote

import msgspec
import pytest

from calibration.chart import Chart
from calibration.release import state_of
from shared.notation import significant
from stripread.store.chart_selection import releases
from stripread.store.models.evidence import StoredCheckResult
from stripread.store.models.materials import Batch, StoredChart, Tube
from tests.loops import some

from .conftest import Served
from .records import HOSTILE, SOFT, Material, put_reading


@pytest.fixture(scope="module")
def batches(stocked: Served) -> Served:
    """With an open and a finished tube of the batch with readings, and a batch of a hostile name without a chart."""
    store, today = stocked.store, stocked.store.clock().date()
    with store.writing(stocked.account("analyst")) as work:
        work.put(msgspec.structs.replace(store.get(Batch, "A"), expires=today + timedelta(days=200), keeps_days=90),
                 "dated")
        work.put(Tube(id="tube-1", batch="A", opened=today - timedelta(days=9)), "made")
        work.put(Tube(id="tube-0", batch="A", opened=today - timedelta(days=99), finished=today), "made")
        work.put(Batch(id=HOSTILE, strip="five pads"), "made")
    return stocked


def address(batch: str) -> str:
    return f"/batches/{quote(batch)}"


def test_the_list_has_state_tubes_and_readings(batches: Served) -> None:
    analyst = batches.role("analyst")
    rows = {r["batch"]: r for r in csv.DictReader(io.StringIO(
        analyst.get("/batches", params={"format": "csv"}).text))}
    assert (rows["A"]["state"], rows["A"]["open tubes"], rows["A"]["tubes"], rows["A"]["readings"]) == (
        "draft", "1", "2", "9")
    assert len(rows) == 2
    text = analyst.get("/batches", params={"state": "draft"}).text
    assert 'href="/batches/A"' in text
    assert "No chart</span>" not in text
    assert HOSTILE not in analyst.get("/batches").text
    assert "No batch matches these filters." in analyst.get("/batches", params={"search": "no such"}).text
    assert analyst.get("/batches", params={"state": "splendid"}).status_code == 422


def test_a_batch_without_a_chart_has_a_page(batches: Served) -> None:
    answer = batches.role("analyst").client.get(address(HOSTILE))
    assert answer.status_code == 200
    assert HOSTILE not in answer.text
    assert "The batch has no calibration chart." in answer.text


def test_a_chart_without_check_standards_is_not_released(batches: Served) -> None:
    """The page shows what is missing, and the form stores nothing."""
    analyst, chart = batches.role("analyst"), batches.store.find(StoredChart, batch="A")[0]
    text = analyst.get("/batches/A").text
    assert "check standards at 0 of 3 different levels" in text
    assert "Not tested" in text
    day = str(batches.store.clock().date() + timedelta(days=30))
    for fields in ({"until": day, "why": "x"}, {"until": day, "why": " "}, {"until": "soon", "why": "x"},
                   {"until": "2020-01-01", "why": "x"}):
        assert analyst.post("/batches/A/release", **fields).status_code == 422
    assert analyst.post(f"{address(HOSTILE)}/withdraw", why="x").status_code == 422
    assert releases(batches.store, chart.id) == ()


def test_a_chart_is_withdrawn_with_a_reason_and_the_name_of_the_analyst(batches: Served) -> None:
    store, chart = batches.store, batches.store.find(StoredChart, batch="A")[0]
    account = batches.account("analyst", name="Invented Analyst")
    assert batches.browser(account).post("/batches/A/withdraw", why="").status_code == 422
    done = batches.browser(account).post("/batches/A/withdraw", why="check standard failed")
    assert (done.status_code, done.headers["location"]) == (303, "/batches/A/impact")
    assert "The chart is withdrawn." in batches.browser(account).get("/batches/A/impact").text
    (made,) = releases(store, chart.id)
    assert (made.state, made.by, made.why) == ("withdrawn", account, "check standard failed")
    text = batches.browser(account).get("/batches/A").text
    assert "Invented Analyst" in text
    assert "Withdrawn" in text


def test_a_chart_that_passes_the_gate_is_released(batches: Served) -> None:
    """Three levels under two lights, one of them not used in the fit; every value is the known one."""
    store, account = batches.store, batches.account("analyst")
    chart = store.find(StoredChart, batch="A")[0].chart
    for level, light in product((1, 2, 3), (chart.conditions.lights[0], "attic lamp")):
        values = {a: msgspec.structs.replace(v, value=v.value * (1 + level / 20)) for a, v in SOFT.items()}
        reading = put_reading(Material(store, account, chart), f"check {level} {light}", "quay-tap", values, days_ago=9)
        with store.writing(account) as work:
            for analyte, value in values.items():
                work.put(StoredCheckResult(id=f"{reading}-{analyte}", standard=f"C{level}", analyte=analyte,
                                           known=value.value, u=value.value / 1000, at=work.now, account=account,
                                           reading=reading, light=light), "checked")
    browser = batches.browser(account)
    assert "Missing" not in browser.get("/batches/A").text
    rows = list(csv.DictReader(io.StringIO(browser.get("/batches/A", params={"format": "csv"}).text)))
    assert len(rows) == 6 * len(SOFT)
    assert {(row["verdict"], row["zeta"]) for row in rows} == {("pass", "0.00")}
    today = store.clock().date()
    late, good = (str(today + timedelta(days=n)) for n in (300, 30))
    assert "after the strips" in browser.post("/batches/A/release", until=late, why="checks passed").text
    assert browser.post("/batches/A/release", until=good, why="checks passed").status_code == 303
    made = releases(store, chart.id)[-1]
    assert (made.state, made.by, made.despite, str(made.valid_until)[:10]) == ("released", account, "", good)
    assert state_of(chart.id, releases(store, chart.id), now=store.clock()) == ()


def test_the_fit_has_limits_of_detection_and_errors_by_level(batches: Served, sample_chart: Chart) -> None:
    """The tables by level are loaded after the first view; without scripts they are on the page of all details."""
    analyst = batches.role("analyst")
    first, whole = (analyst.get("/batches/A", params=q).text for q in ({}, {"details": "all"}))
    assert 'data-from="/batches/A?details=all"' in first
    assert "Limits need 20 runs" in first
    for curve in some(sample_chart.curves):
        body = f'<div data-of="levels-{curve.analyte}">'
        assert (body in first, body in whole) == (False, True)
        if curve.near_zero is not None:
            assert f'data-l="Detectable">{significant(curve.near_zero.detectable, 2)}<' in first


def test_the_drawing_is_an_svg(batches: Served) -> None:
    answer = batches.role("analyst").get("/control-chart.svg")
    assert answer.headers["content-type"] == "image/svg+xml"
    assert answer.text.startswith("<svg ")
