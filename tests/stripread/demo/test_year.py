"""The sample company's records agree with the true values, in an excerpt of eight months at three sampling points.

The true values are those from which the photographs were rendered (`stripread.demo.company`).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from calibration.statistics.distributions import binomial_quantile
from stripread.demo import story
from stripread.demo.company import MAINS_CHANGE, RENEWALS, YEAR, passing, water_at
from stripread.demo.construction import worker_pool
from stripread.demo.folder import last_day
from stripread.demo.story import Excerpt
from stripread.demo.year import build
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.trend.trend import AnalyteTrend, trend
from stripread.review.queue import queue
from stripread.store.chart_selection import chart_flags, chart_for
from stripread.store.models.evidence import Review, StoredReading
from stripread.store.store import Store, open_store
from tests.bench.sample_company import distances
from tests.stripread.monitoring.agreement import disagreements

PART = Excerpt(first=story.FIRST_DAYS["Q-102"], every=2, points=frozenset({
    "orchard-steps/tap", "chalkstep-corner/treated", "chalkstep-corner/tap"}))
END = date(2031, 6, 30)
START = END - timedelta(days=PART.until - 1)
#: Distance of a true value from its interval, in widths of that, beyond which more than the uncertainty is wrong.
FAR = 0.5


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    with worker_pool(2) as pool:
        settings = build(tmp_path_factory.mktemp("company"), END, pool, PART)
    return open_store(settings, lambda: datetime(END.year, END.month, END.day, 20, tzinfo=UTC), new=False)


def analyte_trend(store: Store, point: str, analyte: str) -> AnalyteTrend:
    return trend(store, point, analyte).analytes[0]


def test_intervals_contain_the_true_values(store: Store) -> None:
    found = distances(store, START, PART)
    for analyte, beyond_end in found.items():
        assert len(beyond_end) > 30, analyte
        assert max(beyond_end) < FAR, analyte
        assert sum(b > 0 for b in beyond_end) <= binomial_quantile(0.99, len(beyond_end), 0.05), analyte
    assert len(found) == 5


def test_the_change_of_the_mains_is_dated(store: Store) -> None:
    changed = START + timedelta(days=MAINS_CHANGE)
    for analyte in ("hardness", "alkalinity"):
        levels = analyte_trend(store, "orchard-steps/tap", analyte).levels
        assert levels is not None
        (step,) = levels.steps
        assert step.after <= changed <= step.before


def exhausted(analyte: str, limit: float | None) -> date:
    """Return the day on which the true value of the treated water reaches a limit; without one, half passes."""
    renewal = RENEWALS["chalkstep-corner/filter"][-1]
    days = range(renewal.day, PART.until)
    return START + timedelta(days=next(day for day in days if (
        passing(renewal, day) >= 0.5 if limit is None else water_at("chalkstep-corner/treated", day)[analyte] > limit)))


def test_exhaustion_is_dated(store: Store) -> None:
    for analyte in ("hardness", "alkalinity"):
        drift = analyte_trend(store, "chalkstep-corner/treated", analyte).drift
        assert drift is not None
        assert drift.exhaustion is not None
        true = exhausted(analyte, drift.exhaustion.limit)
        assert drift.exhaustion.earliest <= true <= drift.exhaustion.latest


def test_every_page_has_something_to_show(store: Store) -> None:
    due = due_list(store, load_intervals(), scope=Scope(), weeks=8)
    assert {"test", "treatment", "tube", "check standard", "card"} <= {item.kind for item in due.items}
    assert any(line.to_buy for line in due.shopping.lines)
    assert queue(store)
    assert {review.decision for review in store.find(Review)} >= {"accepted"}
    assert any(reading.status == "no-result" for reading in store.find(StoredReading))
    for batch in PART.batches:
        chart = chart_for(store, batch, store.clock())
        assert not {"chart-draft", "chart-withdrawn", "chart-override"} & set(chart_flags(store, chart, store.clock()))


@pytest.mark.parametrize("now", [datetime(2031, 6, 30, hour, 5, tzinfo=UTC) for hour in (0, 10, 17, 18, 23)])
def test_the_story_ends_before_now(now: datetime) -> None:
    """All photographs, work and reviews of its last day are in the past when the store is built."""
    start = last_day(now) - timedelta(days=YEAR - 1)
    assert max(visit.taken(start) for visit in story.visits()) <= now
    assert story.moment(start, YEAR - 1, 600) <= now
    assert now - story.moment(start, YEAR - 1, 600) < timedelta(days=1)


def test_every_site_has_one_status(store: Store) -> None:
    assert disagreements(store) == []
