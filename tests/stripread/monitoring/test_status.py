from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal

import msgspec
import pytest

from assess import Assessment
from assess.decision import VERDICTS
from assess.diagnosis.result import Explanations, UnitDiagnosis
from calibration.chart import Chart
from stripread.monitoring.assessed_water import criteria_of
from stripread.monitoring.cause_days import cause_days
from stripread.monitoring.latest_results import latest_results
from stripread.monitoring.method_comparison import compare_methods
from stripread.monitoring.next_action import with_actions
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import DueItem, load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import StatusOverview, overview
from stripread.monitoring.trend.trend import trend
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Review, SampleAssessment, StoredAssessment
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)
from tests.stripread.store.world import World

TODAY = NOW.date()


@pytest.fixture
def store(mill: Store, sample_chart: Chart) -> Store:
    """Three sites: one with two points, one with a tap, one without readings."""
    with_chart(mill, sample_chart, "A")
    keep(mill, Site(id="quay", name="Quay"), Site(id="attic", name="Attic"),
         *(SamplingPoint(id=f"{s} tap", site=s, place="mains", name="tap", every_days=30) for s in ("quay", "attic")))
    return mill


@pytest.fixture
def judged(assessment: Assessment) -> dict[str, Assessment]:
    """Assessments by verdict: of the invented water, and of one within all limits."""
    good = msgspec.structs.replace(assessment, judgements=())
    return {max(a.verdicts.values(), key=VERDICTS.index, default="within-limits"): a for a in (assessment, good)}


def read(store: Store, chart: Chart, point: str, days_ago: float, assessment: Assessment | None = None) -> str:
    """Store a reading made ``days`` ago, with an assessment if one is given; return its id."""
    at = NOW - timedelta(days=days_ago)
    photograph = photograph_of(f"{point} {days_ago}", at, point=point, batch="A")
    reading = reading_of(photograph, {"hardness": Value(100.0)}, chart=msgspec.structs.replace(chart, batch="A").id)
    keep(store, photograph, reading)
    if assessment is not None:
        keep(store, StoredAssessment(id=f"of {reading.id}", reading=reading.id, at=at, account=ACCOUNT,
                                     assessment=assessment))
    return reading.id


def seen(store: Store, **scope: Any) -> StatusOverview:
    return overview(store, load_intervals(), scope=Scope(**scope))


def test_sites_are_ranked_by_the_water_nearest_to_the_machine(
        store: Store, sample_chart: Chart, judged: dict[str, Assessment]) -> None:
    bad = next(verdict for verdict in judged if verdict != "within-limits")
    read(store, sample_chart, "tap", 2, judged[bad])
    read(store, sample_chart, "behind", 200, judged["within-limits"])
    read(store, sample_chart, "quay tap", 50, judged[bad])
    found = seen(store)
    assert [line.site for line in found.sites] == ["quay", "attic", "mill"]
    quay, attic, mill = found.sites
    assert mill.water is not None
    assert (mill.verdict, mill.water.name, mill.water.on) == (
        "within-limits", "behind the filter", TODAY - timedelta(days=200))
    assert mill.tap is not None
    assert (mill.tap.verdict, mill.tap.name) == (bad, "tap")
    assert mill.last == TODAY - timedelta(days=2)
    assert (quay.verdict, quay.overdue) == (bad, 1)
    assert quay.next is not None
    assert quay.next.on == TODAY - timedelta(days=20)
    assert (attic.verdict, attic.last, attic.overdue) == (None, None, 0)
    assert attic.next is not None
    assert attic.next.why == "never tested"
    assert found.counts() == {"out-of-limits": 0, "inconclusive": 0, "within-limits": 1, "never judged": 1} | {bad: 1}
    assert found.overdue == 2
    assert [line.site for line in seen(store, group="north").sites] == ["mill"]


def test_the_last_reading_is_the_last_valid_one(
        store: Store, sample_chart: Chart, judged: dict[str, Assessment]) -> None:
    bad = next(verdict for verdict in judged if verdict != "within-limits")
    read(store, sample_chart, "tap", 30, judged["within-limits"])
    rejected = read(store, sample_chart, "tap", 10, judged[bad])
    read(store, sample_chart, "tap", 20)
    keep(store, Review(id="no", reading=rejected, decision="rejected", why="wrong tap", at=NOW, account=ACCOUNT))
    last = latest_results(store, ["tap", "behind"])["tap"]
    assert (last.read, last.verdict, last.judged) == (
        TODAY - timedelta(days=20), "within-limits", TODAY - timedelta(days=30))
    # If two reviewers are required, one rejection is not enough.
    store.review = ReviewPolicy(two_reviewers=True)
    assert latest_results(store, ["tap"])["tap"].verdict == bad
    assert set(latest_results(store, ["tap", "behind"])) == {"tap"}


def test_since_counts_laboratory_and_typed_samples(
        store: Store, sample_chart: Chart, judged: dict[str, Assessment]) -> None:
    """Strip bad 20 days ago, laboratory good 12, laboratory bad 8 (first assessed as good), strip bad 3 days ago."""
    bad = next(verdict for verdict in judged if verdict != "within-limits")
    for days in (20, 3):
        read(store, sample_chart, "quay tap", days, judged[bad])
    keep(store, *(SampleAssessment(id=f"sample {days} {i}", point="quay tap", taken=NOW - timedelta(days=days),
                                   at=NOW - timedelta(days=1, minutes=-i), account=ACCOUNT, results=(f"h {days}",),
                                   assessment=judged[verdict])
                  for i, (days, verdict) in enumerate(((12, "within-limits"), (8, "within-limits"), (8, bad)))))
    quay = next(line.water for line in seen(store, site="quay").sites)
    assert quay is not None
    assert (quay.verdict, quay.on, quay.since) == (bad, TODAY - timedelta(days=3), TODAY - timedelta(days=8))
    assert criteria_of(store, [quay]) == {quay.assessment: judged[bad].judgements}


def test_an_action_is_due_since_results_show_its_cause(
        store: Store, sample_chart: Chart, judged: dict[str, Assessment]) -> None:
    """A fault while the water is within limits; a deviation that replaces an older one of the same verdict."""
    good = judged["within-limits"]
    fault = UnitDiagnosis(state="exhausted", sentence="Exhausted.", action="change the cartridge (filter)",
                          probabilities=Explanations(exhausted=1.0), compared=())
    faulty = msgspec.structs.replace(good, diagnosis=fault)
    for days, assessment in ((30, good), (20, good), (10, faulty), (3, faulty)):
        read(store, sample_chart, "behind", days, assessment)
    mill, = seen(store, site="mill").sites
    assert {i.on for i in mill.due if i.what == fault.action} == {TODAY - timedelta(days=10)}

    some = next(j for a in judged.values() for j in a.judgements if j.limit.severity != "information")
    out = {name: msgspec.structs.replace(good, judgements=(
        msgspec.structs.replace(some, name=name, verdict="out-of-limits"),)) for name in ("chlorine", "hardness")}
    for days, name in ((60, "hardness"), (50, "chlorine"), (40, "chlorine"), (9, "hardness"), (5, "hardness"),
                       (4, "hardness"), (2, "hardness")):
        read(store, sample_chart, "quay tap", days, out[name])
    quay, = seen(store, site="quay").sites
    assert quay.water is not None
    assert (quay.verdict, quay.water.since) == ("out-of-limits", TODAY - timedelta(days=60))
    for days in range(12):
        read(store, sample_chart, "tap", 10 * days + 1, out["hardness"])
    latest = latest_results(store, ["quay tap", "behind", "tap"])
    verdict_since = {"quay tap": TODAY - timedelta(days=60), "tap": TODAY - timedelta(days=111)}
    assert cause_days(store, [r.water for r in latest.values() if r.water is not None], verdict_since) == {
        "quay tap": TODAY - timedelta(days=9), "behind": TODAY - timedelta(days=10),
        "tap": TODAY - timedelta(days=111)}, "beyond the examined results, the verdict's day counts"


def test_a_plan_makes_the_next_test_earlier_until_a_later_reading(
        store: Store, sample_chart: Chart, assessment: Assessment) -> None:
    def planned(days: int) -> Assessment:
        return msgspec.structs.replace(assessment, plan=msgspec.structs.replace(assessment.plan, test_in_days=days))

    def tap() -> DueItem:
        items = due_list(store, load_intervals(), scope=Scope(), weeks=60).items
        return next(i for i in items if i.subject == "tap")

    reading = read(store, sample_chart, "tap", 20, planned(14))
    assert (tap().on, "requires a test after 14 days" in tap().why) == (TODAY - timedelta(days=6), True)
    keep(store, StoredAssessment(id="again", reading=reading, at=NOW, account=ACCOUNT, assessment=planned(400)))
    assert tap().on == TODAY + timedelta(days=90 - 20)
    read(store, sample_chart, "tap", 10, planned(30))
    assert tap().on == TODAY + timedelta(days=20)
    read(store, sample_chart, "tap", 5)
    assert tap().on == TODAY + timedelta(days=90 - 5)


def test_a_change_that_date_and_water_require_is_one_item() -> None:
    """On the earlier day, for both reasons; a change of another unit remains an item of its own."""
    def item(kind: Literal["treatment", "water"], day: int, what: str = "change the cartridge (filter)") -> DueItem:
        return DueItem(on=TODAY + timedelta(days=day), kind=kind, subject=kind, what=what, why=f"as of day {day}",
                       site="mill", site_name="Mill")

    (both,) = with_actions([item("treatment", 3)], [item("water", 1)])
    assert (both.kind, both.on, both.why) == ("treatment", TODAY + timedelta(days=1), "as of day 1. As of day 3")
    other = item("water", 1, "change the membrane (osmosis)")
    assert with_actions([item("treatment", 3)], [other]) == [item("treatment", 3), other]


def test_an_empty_store_has_no_sites(tmp_path: Path) -> None:
    with closing(empty_store(tmp_path)) as store:
        assert overview(store, load_intervals(), scope=Scope()).sites == ()


def test_both_databases_give_the_same_results(world: World) -> None:
    """One record of every type: the only reading was rejected, so the laboratory's sample is the status."""
    found = {(i.kind, i.subject): i for i in due_list(world.store, load_intervals(), scope=Scope(), weeks=60).items}
    assert found["test", "tap"].why.startswith(f"last tested on {NOW.date()}")
    assert found["treatment", "filter"].on > TODAY
    assert {kind for kind, _ in found} >= {"test", "treatment", "tube", "check standard", "phone", "card"}
    line, = overview(world.store, load_intervals(), scope=Scope()).sites
    assert line.water is not None
    assert (line.site, line.verdict, line.last, line.water.reading) == ("mill", "inconclusive", NOW.date(), "")
    with pytest.raises(RecordsError, match="has no valid reading yet"):
        trend(world.store, "tap")
    one, = compare_methods(world.store, Scope(), days=1.0)
    assert one.couples == ()
