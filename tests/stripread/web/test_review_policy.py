"""One reviewer's rejection under a policy of two: page, API, command line and report state the same status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from calibration.chart import Chart
from stripread.cli.main import run
from stripread.store import sessions
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import Review
from stripread.store.settings import ReviewPolicy
from stripread.web.worker import Workers
from tests.stripread.store.histories import ACCOUNT, NOW, Value, keep, photograph_of, reading_of, with_chart, with_site

from .conftest import serving, store_in


def test_one_rejection_of_two_is_waiting_everywhere(tmp_path: Path, workers: Workers, sample_chart: Chart,
                                                    monkeypatch: pytest.MonkeyPatch,
                                                    capsys: pytest.CaptureFixture[str]) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text(f'database = "sqlite:///{tmp_path / "records.sqlite"}"\n'
                        f'photographs = "{tmp_path / "photographs"}"\n[review]\ntwo_reviewers = true\n')
    monkeypatch.setenv("STRIPREAD_SETTINGS", str(settings))
    for variable in ("STRIPREAD_DATABASE", "STRIPREAD_PHOTOGRAPHS", "STRIPREAD_ACCOUNT"):
        monkeypatch.delenv(variable, raising=False)
    store = store_in(tmp_path, ReviewPolicy(two_reviewers=True))
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    chart = with_chart(with_site(store), sample_chart, "A")["A"]
    photograph = photograph_of("one", NOW, point="tap", batch="A")
    reading = reading_of(photograph, {"hardness": Value(80.0)}, chart=chart)
    keep(store, photograph, reading, Review(id="r", reading=reading.id, decision="rejected", why="glare", at=NOW,
                                            account=ACCOUNT))
    token = sessions.make_token(store, ACCOUNT, "a program", ("readings:read",))
    with serving(store, workers) as served:
        answer = served.browser(authorization=f"Bearer {token}").get("/api/readings").json()["items"]
        page = served.role("reviewer").get(f"/readings/{reading.id}").text
    assert run(["readings", "list", "--reviewed", "waiting", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [r["reviewed"] for r in answer] == [listed["reviewed"]] == ["waiting"]
    assert "a second decision is required" in page
    assert listed["id"] == reading.id
