"""From the queue to an amended report on each sort of database."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import msgspec
import pytest

from assess import Assessment
from calibration.chart import Chart
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.report.sites.group import group_report
from stripread.report.sites.site import site_report
from stripread.report.test_report.report import Issuing, audit_report
from stripread.review.queue import QueueFilter, queue
from stripread.review.session import ReviewSession, summary
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import StoredAssessment
from stripread.store.settings import Issuer, ReviewPolicy, Settings
from stripread.store.store import Store, open_store
from tests.stripread.store.histories import ACCOUNT, NOW, Value, keep, photograph_of, reading_of, with_chart, with_site

TWO = ReviewPolicy(two_reviewers=True, share=0.0)
LAST = "reading of day 6"


@pytest.fixture
def store(settings: Settings, sample_chart: Chart, assessment: Assessment) -> Iterator[Store]:
    """A week of readings, the last far off and judged."""
    made = open_store(msgspec.structs.replace(settings, review=TWO), clock=lambda: NOW)
    keep(made, Account(id=ACCOUNT, roles=("technician",)))
    keep(made, *(Account(id=who, roles=("reviewer",)) for who in ("ruth", "omar")))
    chart = with_chart(with_site(made), sample_chart, "A")["A"]
    for day in range(7):
        shot = photograph_of(f"day {day}", NOW + timedelta(days=day), point="tap", batch="A")
        keep(made, shot, reading_of(shot, {"hardness": Value(160.0 if day == 6 else 60.0)}, chart=chart))
    keep(made, StoredAssessment(id="judged", reading=LAST, at=NOW, account=ACCOUNT, assessment=assessment))
    yield made
    made.close()


def test_the_review_workflow_on_each_database(store: Store, settings: Settings) -> None:
    named = msgspec.structs.replace(settings, issuer=Issuer(name="Invented Waterworks"))
    often = load_intervals()
    waiting = queue(store, QueueFilter(site="mill", group="north"))
    assert [(e.reading, e.why[0].kind) for e in waiting] == [(LAST, "outlier")]
    first = audit_report(store, Issuing(named, "ruth"), LAST)
    ReviewSession(store, "ruth").reject(LAST, "water", "Another tap.")
    assert queue(store)[0].why[0].kind == "waiting"
    ReviewSession(store, "omar").reject(LAST, "water", "Seen on the picture too.")
    assert queue(store) == []
    assert summary(store).review_status == {"rejected": 1}
    amended = audit_report(store, Issuing(named, "ruth"), LAST, "Rejected by two.")
    assert first.id in msgspec.json.encode(amended).decode()
    assert "1 of 1 not assessed." in msgspec.json.encode(group_report(store, settings, often, "north")).decode()
    printed = msgspec.json.encode(site_report(store, settings, often, "mill")).decode()
    assert "Another tap." in printed or "Seen on the picture too." in printed
    assert "160" not in printed
