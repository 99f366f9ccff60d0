"""The ledger of a machine: sums over time of what single assessments state per week."""

import json
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from assess import Assessment
from calibration.chart import Chart
from stripread.monitoring.machine_ledger import machine_ledger
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import Machine
from stripread.store.store import Store
from tests.loops import some
from tests.stripread.cli.inside import stripread
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
    with_site,
)


@pytest.fixture
def store(tmp_path: Path, assessment: Assessment) -> Store:
    made = with_site(empty_store(tmp_path))
    keep(made, Machine(id="left", site="mill", equipment=assessment.equipment))
    return made


def read(store: Store, chart: str, point: str, weeks: int, assessment: Assessment) -> None:
    photograph = photograph_of(f"{point} {weeks}", NOW - timedelta(weeks=weeks), point=point, batch="A")
    reading = reading_of(photograph, {"hardness": Value(60.0)}, chart=chart)
    keep(store, photograph, reading, StoredAssessment(id=reading.id, reading=reading.id, at=reading.at,
                                                      account=ACCOUNT, assessment=assessment))


def test_each_water_counts_until_the_next_and_the_nearest_point_counts(
        store: Store, sample_chart: Chart, assessment: Assessment, monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: 4 weeks of one water and 6 of another with twice its scale are 16 weeks of the first."""
    with pytest.raises(RecordsError, match="no water of this machine has been assessed yet"):
        machine_ledger(store, "left")
    chart = with_chart(store, sample_chart, "A")["A"]
    twice = msgspec.structs.replace(assessment, boilers=tuple(msgspec.structs.replace(
        b, scale_g_per_week=msgspec.structs.replace(b.scale_g_per_week, value=2 * b.scale_g_per_week.value))
        for b in assessment.boilers))
    read(store, chart, "tap", 20, twice)
    read(store, chart, "behind", 10, assessment)
    read(store, chart, "behind", 6, twice)
    found, weekly = machine_ledger(store, "left"), {b.boiler: b for b in assessment.boilers}
    assert (found.point, len(found.entries)) == ("behind", 2 * len(weekly))
    for b in some(found.boilers):
        assert b.scale_g.value == pytest.approx(16 * weekly[b.boiler].scale_g_per_week.value)
    chloride = next((v.value for v in assessment.values if v.analyte == "chloride"), None)
    assert [b.highest_chloride and b.highest_chloride.value for b in found.boilers] == [
        chloride and pytest.approx(chloride * weekly[b.boiler].cycles) for b in found.boilers]
    descaled = machine_ledger(store, "left", NOW - timedelta(weeks=3))
    assert descaled.boilers[0].scale_g.value == pytest.approx(
        6 * weekly[descaled.boilers[0].boiler].scale_g_per_week.value), "three weeks of the last water"
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    day = f"{NOW - timedelta(weeks=3):%Y-%m-%d}"
    assert stripread("machines", "record", "left", "descaled", "--on", day).stdout == f"{day}  descaled\n"
    assert stripread("machines", "record", "left", "repaired", "--note", "new pump").returncode == 0
    assert "; new pump" in stripread("machines", "record", "left").stdout
    assert f"{machine_ledger(store, 'left').since:%Y-%m-%d}" == day, "the ledger counts from the last descaling"
    brew, *others = (b.name for b in assessment.equipment.boilers)
    replaced = f"{NOW - timedelta(weeks=1):%Y-%m-%d}"
    assert "has no such boiler" in stripread("machines", "record", "left", "boiler replaced", "--boiler", "x").stderr
    assert stripread("machines", "record", "left", "boiler replaced", "--boiler", brew, "--on", replaced).stdout == (
        f"{replaced}  boiler replaced; {brew}\n")
    assert {b.boiler: f"{b.since:%Y-%m-%d}" for b in machine_ledger(store, "left").boilers} == (
        dict.fromkeys(others, day) | {brew: replaced}), "the account of the other boilers goes on"
    assert f"of scale since {replaced}" in stripread("machines", "ledger", "left").stdout
    assert "in the future" in stripread("machines", "record", "left", "descaled", "--on", "2999-01-01").stderr
    assert ": at most " in stripread("machines", "ledger", "left").stdout
    assert json.loads(stripread("machines", "ledger", "left", "--json").stdout)["point"] == "behind"
