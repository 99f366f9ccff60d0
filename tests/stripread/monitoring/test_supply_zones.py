"""Changes of the mains that sites of one supply zone share."""

import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from calibration.chart import Chart
from stripread.monitoring.sites import Scope
from stripread.monitoring.supply_zones import supply_zones
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.store import Store
from tests.stripread.cli.inside import stripread
from tests.stripread.store.histories import (
    NOW,
    empty_store,
    keep,
    photograph_of,
    read_value,
    reading_of,
    with_chart,
)

#: By site: its zone, and its level before and after the change of the mains 15 weeks ago.
SITES = {"Ash": ("hill", 200.0, 250.0), "Birch": ("hill", 200.0, 250.0), "Cedar": ("hill", 110.0, 110.0),
         "Elm": ("quay", 200.0, 250.0), "Fir": ("", 200.0, 250.0)}


@pytest.fixture
def store(tmp_path: Path, sample_chart: Chart) -> Store:
    made, rng = empty_store(tmp_path), np.random.default_rng(7)
    chart, records = with_chart(made, sample_chart, "A")["A"], list[Record]()
    for name, (zone, before, after) in SITES.items():
        records += [Site(id=name, name=name, zone=zone),
                    SamplingPoint(id=f"{name} tap", site=name, place="mains", name="tap")]
        for week in range(30):
            photograph = photograph_of(f"{name} {week}", NOW - timedelta(weeks=week), point=f"{name} tap", batch="A")
            value = read_value(before if week >= 15 else after, rng)
            records += [photograph, reading_of(photograph, {"hardness": value}, chart=chart)]
    keep(made, *records)
    return made


def test_a_change_that_sites_share_is_found_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    hill, quay = supply_zones(store, Scope())
    assert (hill.zone, hill.sites, quay.sites) == ("hill", ("Ash", "Birch", "Cedar"), ("Elm",))
    (change,) = hill.changes
    assert (change.analyte, change.sites) == ("hardness", ("Ash", "Birch"))
    assert change.after <= (NOW - timedelta(weeks=15)).date() <= change.before
    assert change.size == pytest.approx(50, abs=10)
    assert hill.apart == ("hardness",), "Cedar may be fed by another mains"
    assert (quay.changes, quay.apart) == ((), ()), "one site shares nothing"
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    shown = stripread("sites", "zones").stdout
    assert "hill: Ash, Birch, Cedar" in shown
    assert "at Ash, Birch" in shown
    assert json.loads(stripread("sites", "zones", "--json").stdout)[0]["zone"] == "hill"
