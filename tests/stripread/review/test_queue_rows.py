"""The maintained rows of the queue: after any changes they are those of the whole store, and pages are its parts."""

from __future__ import annotations

import contextlib
import random
import statistics
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Final

import msgspec
import pytest

from assess import Assessment
from calibration.chart import Chart
from stripread.review.queue import QueueEntry, QueueFilter, count_queue, queue, view_from
from stripread.review.session import FAULTS, ReviewSession, restore_own, withdraw_own
from stripread.store import reading_rows
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.review_reasons import KINDS, MOST
from stripread.store.schema import REVIEW_QUEUE
from stripread.store.settings import ReviewPolicy
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store
from tests.loops import some
from tests.stripread.store.histories import ACCOUNT, NOW, Value, keep, photograph_of, reading_of

POINTS: Final = ("tap", "behind", None)
FLAGS: Final = ((), (), (), ("glare",), ("glare", "shadow"), ("below-range",))
POLICIES: Final = (ReviewPolicy(share=0.0), ReviewPolicy(share=0.3, seed="s"), ReviewPolicy(share=1.0, days=20),
                   ReviewPolicy(share=0.0, two_reviewers=True), ReviewPolicy(share=0.2, two_reviewers=True, days=30))


class Changes:
    """Random changes of a store, each of a sort that moves readings in histories or in the queue."""

    def __init__(self, store: Store, chart: str, assessment: Assessment, seed: int) -> None:
        self.store, self.chart, self.assessment = store, chart, assessment
        self.rng = random.Random(seed)
        self.readings: list[StoredReading] = []

    def add(self) -> None:
        """A reading at a random time: values with outliers, some without result, some that supersede another."""
        n, rng = len(self.readings), self.rng
        when = NOW - timedelta(hours=rng.randrange(24 * 60))
        photograph = photograph_of(f"photo {n}", when, point=rng.choice(POINTS), batch="A")
        values = {"hardness": Value(rng.choice((60.0, 61.0, 62.0, 160.0)), u=rng.choice((1.0, 1.0, 9.0)))}
        if rng.random() < 0.7:
            values["ph"] = Value(rng.choice((7.0, 7.1, 9.0)), u=0.05, u_chart=0.02)
        made = reading_of(photograph, values if rng.random() < 0.9 else {}, chart=self.chart)
        made = msgspec.structs.replace(made, reading=msgspec.structs.replace(made.reading, flags=rng.choice(FLAGS)),
                                       supersedes=self._current() if rng.random() < 0.1 else None)
        keep(self.store, photograph, made)
        self.readings.append(made)

    def judge(self) -> None:
        reading = self.rng.choice(self.readings).id
        keep(self.store, StoredAssessment(id=f"judged {self.rng.random()}", reading=reading, at=NOW, account=ACCOUNT,
                                          assessment=self.assessment))

    def withdraw(self) -> None:
        """A withdrawal by the technician, or its return, where it is permitted."""
        current = self._current()
        with contextlib.suppress(RecordsError):
            withdraw_own(self.store, ACCOUNT, current or "", "wrong tap")
            if self.rng.random() < 0.3:
                restore_own(self.store, ACCOUNT, current or "")

    def review(self) -> None:
        who, current = ReviewSession(self.store, self.rng.choice(("ruth", "omar"))), self._current()
        if current is None:
            return
        if self.rng.random() < 0.6:
            who.reject(current, self.rng.choice(list(FAULTS)), "seen")
        else:
            with contextlib.suppress(RecordsError):
                who.accept(current)
                if self.rng.random() < 0.3:
                    who.withdraw(current)

    def move(self) -> None:
        """Another point or another time of a photograph."""
        there = self.store.get(Photograph, self.rng.choice(self.readings).photograph)
        earlier = there.received - timedelta(days=self.rng.randrange(30))
        keep(self.store, msgspec.structs.replace(there, point=self.rng.choice(POINTS), dipped=earlier))

    def regroup(self) -> None:
        keep(self.store, Site(id="mill", name="Mill Lane", group=self.rng.choice(("north", "south"))))
        keep(self.store, SamplingPoint(id="behind", site=self.rng.choice(("mill", "quay")), place="mains",
                                       name="behind"))

    def _current(self) -> str | None:
        current = [r.id for r in readings(self.store, ReadingFilter())]
        return self.rng.choice(current) if current else None


@pytest.fixture
def changes(store: Store, sample_chart: Chart, assessment: Assessment) -> Callable[[int], Changes]:
    keep(store, SiteGroup(id="south", name="South"), Site(id="quay", name="The Quay", group="south"))
    chart = msgspec.structs.replace(sample_chart, batch="A").id
    return lambda seed: Changes(store, chart, assessment, seed)


@pytest.fixture
def changed(store: Store, changes: Callable[[int], Changes]) -> Store:
    """Sixty readings, in no order of time, with every sort of change between them."""
    made = changes(4)
    for step in range(60):
        made.add()
        if step % 2:
            made.rng.choice((made.judge, made.review, made.review, made.move))()
    made.regroup()
    return store


@pytest.mark.parametrize("seed", range(3))
def test_rows_are_those_of_the_whole_store_after_each_change(
    store: Store, changes: Callable[[int], Changes], seed: int
) -> None:
    made = changes(seed)
    for _ in range(12):
        made.add()
    for _ in range(40):
        made.rng.choice((made.add, made.add, made.judge, made.review, made.withdraw, made.move, made.regroup))()
        with store.viewing() as connection:
            assert reading_rows.mismatch(connection) is None
    with store.engine.begin() as connection:
        before = connection.execute(REVIEW_QUEUE.select().order_by(REVIEW_QUEUE.c.reading)).all()
        reading_rows.rebuild(connection)
        assert connection.execute(REVIEW_QUEUE.select().order_by(REVIEW_QUEUE.c.reading)).all() == before


def outliers(store: Store) -> set[str]:
    """Current readings with an outlier, by the rule written out with the library's medians (Iglewicz and Hoaglin)."""
    found = set()
    listed = readings(store, ReadingFilter(status="measured"), oldest_first=True)
    for place, one in enumerate(listed):
        past = [r for r in listed[:place] if r.point == one.point and r.reviewed != "rejected"][-MOST:]
        for v in one.values:
            series = [w.value for r in past for w in r.values if w.analyte == v.analyte]
            if one.point is None or len(series) < 5:
                continue
            middle = statistics.median(series)
            distances = [abs(x - middle) for x in series]
            scale = statistics.median(distances) * 1.4826022 or statistics.fmean(distances) * 1.2533141
            if abs(v.value - middle) > 3.5 * max(scale, (v.high - v.low) / 2 / 1.959964):
                found.add(one.id)
    return found


def test_outliers_are_those_of_the_rule_written_out(changed: Store) -> None:
    changed.review = ReviewPolicy(share=0.0)
    waiting = {e.reading for e in queue(changed) if any(w.kind == "outlier" for w in e.why)}
    unreviewed = {r.id for r in readings(changed, ReadingFilter(reviewed="unreviewed"))}
    assert waiting == outliers(changed) & unreviewed
    assert len(waiting) > 2


def test_a_change_of_the_policy_needs_no_change_of_rows(changed: Store) -> None:
    """What waits under each policy, from the lists of readings, which compute the review status by themselves."""
    for policy in POLICIES:
        changed.review = policy
        since = changed.clock() - timedelta(days=policy.days)
        begun = {r.id for r in readings(changed, ReadingFilter()) if r.reviewed in ("waiting", "disputed")}
        recent = {r.id for r in readings(changed, ReadingFilter(reviewed="unreviewed", since=since))}
        waiting = {e.reading for e in queue(changed)}
        assert begun <= waiting <= begun | recent, policy
        if policy.share == 1.0:
            assert waiting == begun | recent
        assert count_queue(changed) == len(waiting), policy


def test_pages_and_places_are_those_of_the_whole_queue(changed: Store) -> None:
    def steps(asked: QueueFilter, *, oldest_first: bool) -> Iterator[tuple[int, QueueEntry]]:
        for number, entry in enumerate(whole, 1):
            seen = view_from(changed, asked, entry.reading, 3, oldest_first=oldest_first)
            assert (seen.number, seen.total, seen.entry) == (number, len(whole), entry)
            assert (seen.before, seen.behind) == (whole[max(0, number - 4):number - 1], whole[number:number + 3])
            assert seen.following == (whole[number % len(whole)].reading if len(whole) > 1 else "")
            yield number, entry

    for policy in some(POLICIES[1::2]):
        changed.review = policy
        for oldest_first in (False, True):
            for asked in (QueueFilter(), QueueFilter(group="south")):
                whole = queue(changed, asked, oldest_first=oldest_first)
                assert queue(changed, asked, 2, oldest_first=oldest_first) == whole[:2]
                assert len(list(steps(asked, oldest_first=oldest_first))) == len(whole) > 1
            if oldest_first:
                times = [datetime.fromisoformat(e.sampled) for e in whole]
                assert times == sorted(times)


def test_each_filter_selects_the_same_as_a_plain_loop(changed: Store) -> None:
    changed.review = POLICIES[-1]
    whole = queue(changed)
    for reason in KINDS:
        expected = [e for e in whole if any(w.kind == reason for w in e.why)]
        assert queue(changed, QueueFilter(reason=reason)) == expected, reason
    for asked, site in ((QueueFilter(search="quay"), "quay"), (QueueFilter(site="mill"), "mill")):
        assert queue(changed, asked) == [e for e in whole if e.site == site] != [], asked
    groups = {s.id: s.group for s in changed.find(Site)}
    for account in (ACCOUNT, "ruth"):
        limited = QueueFilter(access=SiteAccess(account, frozenset({"south"})))
        assert queue(changed, limited) == [
            e for e in whole if (groups[e.site] == "south" if e.site else account == ACCOUNT)]
        assert count_queue(changed, limited) == len(queue(changed, limited))


def test_the_queue_begins_behind_a_reading_that_does_not_wait(changed: Store) -> None:
    changed.review = ReviewPolicy(share=0.0)
    first = queue(changed)[0].reading
    superseded = readings(changed, ReadingFilter(state="superseded"))[0].id
    seen = view_from(changed, QueueFilter(), superseded, 2)
    assert (seen.number, seen.entry, seen.following) == (0, None, first)
