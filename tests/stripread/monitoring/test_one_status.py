"""Every command and report states the same status, date and next action of each site."""

import json
from collections.abc import Iterator
from datetime import timedelta

import msgspec
import pytest

from calibration.chart import Chart
from stripread.cli.main import run
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, overview
from stripread.operations.decisions import Decisions, Proposal
from stripread.store.store import Store
from tests.loops import some
from tests.stripread.monitoring.agreement import INTERVALS, disagreements
from tests.stripread.monitoring.treated_store import treated_store
from tests.stripread.store.histories import ACCOUNT, NOW


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, sample_chart: Chart) -> Iterator[Store]:
    made = treated_store(tmp_path_factory.mktemp("one-status"), sample_chart)
    yield made
    made.close()


@pytest.fixture(scope="module")
def sites(store: Store) -> dict[str, SiteStatus]:
    return {s.site: s for s in overview(store, INTERVALS, scope=Scope()).sites}


def test_sites_are_ranked_by_verdict_severity_and_distance(sites: dict[str, SiteStatus]) -> None:
    ranks = [(s.verdict, s.site) for s in sites.values()]
    assert [v for v, _ in ranks] == sorted((v for v, _ in ranks),
                                           key=["out-of-limits", "inconclusive", None, "within-limits"].index)
    names = list(sites)
    assert names.index("Birch") < names.index("Oak"), "scale is more severe than the cup"
    assert names[-2:] == sorted(names[-2:])


def test_the_treated_water_is_the_headline_and_the_tap_is_below_it(sites: dict[str, SiteStatus]) -> None:
    ash = sites["Ash"]
    assert ash.water is not None
    assert ash.tap is not None
    assert (ash.verdict, ash.water.name, ash.tap.name, ash.tap.verdict) == (
        "within-limits", "outlet", "tap", "out-of-limits")
    assert "water" not in {item.kind for item in ash.due}, "a working unit needs no action"
    birch = sites["Birch"]
    assert birch.water is not None
    assert birch.water.since == (NOW - timedelta(days=20)).date(), "out of limits since the first of two readings"
    assert birch.next is not None
    assert (birch.next.kind, birch.next.on) == ("water", birch.water.since)


def test_work_since_the_last_reading_is_to_be_verified(sites: dict[str, SiteStatus]) -> None:
    item = sites["Cedar"].next
    assert item is not None
    assert (item.what, item.on) == ("test outlet (after treatment) to verify the new cartridge",
                                    (NOW - timedelta(days=2)).date())


def test_schedule_and_reports_state_the_same(store: Store) -> None:
    assert disagreements(store) == []


def test_commands_state_the_same(store: Store, sites: dict[str, SiteStatus], capsys: pytest.CaptureFixture[str],
                                 monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    monkeypatch.setattr("stripread.store.store.utc_now", lambda: NOW)
    monkeypatch.setattr("stripread.store.store.open_store.__defaults__", (lambda: NOW,))
    assert run(["sites", "status", "--group", "trees", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["sites"] == json.loads(msgspec.json.encode(tuple(sites.values())))
    assert run(["sites", "status"]) == 0
    lines = capsys.readouterr().out.splitlines()[1:]
    for status, line in zip(some(sites.values()), lines, strict=True):
        assert status.next is not None
        assert f"next {status.next.on}: {status.next.what}" in line


def test_a_proposed_decision_takes_the_next_action(store: Store, sites: dict[str, SiteStatus]) -> None:
    for site in some(sites.values()):
        if site.next is not None and site.next.kind == "water":
            assert Decisions(store, ACCOUNT).propose(INTERVALS, Proposal(site.site)).what == site.next.what
    assert {s.site: s for s in overview(store, INTERVALS, scope=Scope()).sites} == sites, "nothing is chosen yet"
