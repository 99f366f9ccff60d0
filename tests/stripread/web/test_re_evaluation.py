"""Readings evaluated again on a new chart of their batch: first the effect on each, then one reason for all."""

from __future__ import annotations

import re
from pathlib import Path

from msgspec.structs import replace
from playwright.sync_api import expect

from calibration.chart import Chart
from stripread.intake.materials_import import import_file, register_chart
from stripread.store.models.evidence import StoredReading

from .conftest import BATCH, Open, Served, picture
from .records import fill


def test_the_effect_is_shown_before_anything_is_superseded(served: Served, open_page: Open, samples: Path,
                                                           sample_chart: Chart) -> None:
    account = served.account("technician", "administrator")
    fill(served.store, account, sample_chart)
    served.app.code = ""
    register_chart(served.store, account, sample_chart)
    import_file(served.store, account, samples / "card-run-007.txt")
    answer = served.browser(account).send("POST", "/take/original", params={"batch": BATCH, "point": "long-tap"},
                                          content=picture(samples)["buffer"])
    (old,) = re.findall(r'data-reading="([^"]+)"', answer.text)
    conditions = replace(sample_chart.conditions, made="2099-01-01")
    newer = replace(sample_chart, curves=sample_chart.curves[:-1], conditions=conditions)
    register_chart(served.store, account, newer)
    page = open_page(served, account=served.account("reviewer"))
    page.goto(f"/readings?batch={BATCH}")
    page.get_by_role("link", name="Re-evaluate readings").click()
    expect(page.locator("[data-reading]")).to_have_count(1)
    page.wait_for_load_state()
    page.get_by_role("button", name="Show the effect on 1 readings").click()
    expect(page.get_by_text("1 of 1 readings change.")).to_be_visible()
    expect(page.get_by_text("The result differs.")).to_be_visible()
    assert [r.id for r in served.store.find(StoredReading) if r.supersedes] == []
    page.get_by_label("Reason").fill("A new chart of the batch.")
    page.get_by_role("button", name="Supersede the readings that change").click()
    expect(page.get_by_text("Superseded by a new reading, which waits for review.")).to_be_visible()
    assert old in {r.supersedes for r in served.store.find(StoredReading)}
