"""Decisions from proposal to verification: next action of their site, and shopping list."""

from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from assess import Assessment, AssessmentSetup, assess, load_limits, sample_from_typed
from calibration.chart import Chart
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import status_of
from stripread.operations.decisions import Decisions, Proposal, decisions, latest_sample
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import SampleAssessment, StoredAssessment
from stripread.store.models.sites import DecisionStep, TreatmentDecision
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
    with_site,
)

INTERVALS = load_intervals()


@pytest.fixture
def store(tmp_path: Path, sample_chart: Chart, assessment: Assessment) -> Store:
    """A site whose tap was read today, assessed as within limits; earlier readings of it and of nowhere."""
    made = with_site(empty_store(tmp_path))
    chart = with_chart(made, sample_chart, "A")["A"]
    good = msgspec.structs.replace(assessment, judgements=())
    hard = assess(sample_from_typed({"hardness": "320 ± 5 mg/L CaCO3", "alkalinity": "240 ± 5 mg/L CaCO3"}),
                  AssessmentSetup(equipment=assessment.equipment, limits=load_limits(), units={}))
    for name, point, days, judged in (("today", "tap", 0, good), ("early", "tap", 9, good), ("no point", None, 0, good),
                                      ("bad", "tap", 0, hard)):
        photograph = photograph_of(name, NOW - timedelta(days=days), point=point, batch="A")
        reading = reading_of(photograph, {"hardness": Value(60.0)}, chart=chart)
        keep(made, photograph, reading, StoredAssessment(
            id=name, reading=reading.id, at=reading.at, account=ACCOUNT, assessment=judged))
    return made


def next_action(store: Store) -> str:
    item = status_of(store, INTERVALS, "mill").next
    assert item is not None
    return item.what


def test_a_decision_is_the_next_action_until_it_is_verified(store: Store) -> None:
    made = Decisions(store, ACCOUNT)
    one = made.propose(INTERVALS, Proposal("mill", "Install an exchanger", "weak-acid-exchange", 0.3, 2))
    assert (one.state, one.follows) == ("proposed", False)
    with pytest.raises(RecordsError, match="differs from the recommendation needs a reason"):
        made.advance(one.id, "chosen")
    made.advance(one.id, "chosen", "the owner wants it")
    assert next_action(store) == "order or carry out: install an exchanger"
    line = next(x for x in due_list(store, INTERVALS, scope=Scope(), weeks=4).shopping.lines)
    assert (line.catalogue, line.in_place, line.decided, line.to_buy) == ("weak-acid-exchange", 0, 2, 2)
    made.count("weak-acid-exchange", 1)
    line = next(x for x in due_list(store, INTERVALS, scope=Scope(), weeks=4).shopping.lines)
    assert (line.in_stock, line.to_buy) == (1, 1)
    made.advance(one.id, "ordered")
    assert due_list(store, INTERVALS, scope=Scope(), weeks=4).shopping.lines == ()
    assert next_action(store) == "when delivered: install an exchanger"
    made.advance(one.id, "installed")
    assert next_action(store) == "test to verify the installation: an exchanger"
    made.advance(one.id, "verified", result="reading of today")
    assert "exchanger" not in next_action(store)
    (stored,) = decisions(store, "mill")
    assert [s.state for s in stored.steps] == ["proposed", "chosen", "ordered", "installed", "verified"]
    assert stored.steps[1].why == "the owner wants it"
    assert decisions(store, settled=False) == []


@pytest.mark.parametrize(("reading", "says"), [
    (None, "a verification needs a reading"), ("reading of early", "dated before the installation"),
    ("reading of no point", "of another site"), ("reading of bad", "its water is out of limits")])
def test_a_verification_needs_a_good_reading_after_the_installation(store: Store, reading: str | None, says: str
                                                                    ) -> None:
    made = Decisions(store, ACCOUNT)
    one = made.propose(INTERVALS, Proposal("mill", "turn the head"))
    for state in ("chosen", "installed"):
        made.advance(one.id, state, "needed")
    with pytest.raises(RecordsError, match=says):
        made.advance(one.id, "verified", result=reading)
    assert made.advance(one.id, "reopened", "still hard").state == "reopened"


def test_typed_results_after_the_installation_verify_it(store: Store, assessment: Assessment) -> None:
    good = msgspec.structs.replace(assessment, judgements=())
    made = Decisions(store, ACCOUNT)
    one = made.propose(INTERVALS, Proposal("mill", "turn the head"))
    for state in ("chosen", "installed"):
        made.advance(one.id, state, "needed")
    with pytest.raises(RecordsError, match="no assessed laboratory or typed result"):
        latest_sample(store, "tap")
    keep(store, *(SampleAssessment(id=name, point="tap", taken=NOW - timedelta(days=days), at=NOW, account=ACCOUNT,
                                   results=(name,), assessment=good) for name, days in (("old", 9), ("new", 0))))
    with pytest.raises(RecordsError, match="dated before the installation"):
        made.advance(one.id, "verified", result="old")
    step = made.advance(one.id, "verified", result=latest_sample(store, "tap").id).steps[-1]
    assert (step.sample, step.reading) == ("new", None)


def test_what_cannot_be_is_rejected(store: Store) -> None:
    made = Decisions(store, ACCOUNT)
    with pytest.raises(RecordsError, match="no such treatment unit; found wonder"):
        made.propose(INTERVALS, Proposal("mill", "x", "wonder"))
    one = made.propose(INTERVALS, Proposal("mill", "x"))
    with pytest.raises(RecordsError, match="a decision that is proposed cannot become verified; found verified"):
        made.advance(one.id, "verified")
    steps = tuple(DecisionStep(state=s, at=NOW, account=ACCOUNT) for s in ("proposed", "verified"))
    with pytest.raises(ValueError, match="cannot become verified; allowed: chosen, closed"):
        TreatmentDecision(id="d", site="mill", what="w", recommended="", steps=steps)
