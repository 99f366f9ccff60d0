"""A sampling point with its own set of limits: it applies from its day on, and samples since are assessed again."""

from datetime import timedelta

import pytest

from shared.errors import InputError
from stripread.intake.assessment_cases import current_assessments
from stripread.intake.reassess import assess_samples
from stripread.intake.terms import own_terms, terms_at
from stripread.monitoring.trend.unit_ends import upper_limits
from stripread.operations.assignment import assign_limits, limit_changes
from stripread.store.models.evidence import LabResult
from stripread.store.models.sites import LimitAssignment, SamplingPoint
from stripread.store.site_access import ALL_SITES
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, NOW, keep

DAY = NOW.date()
TARGET = LimitAssignment(since=DAY - timedelta(days=10), limits="cup-target")


@pytest.fixture
def store(mill: Store) -> Store:
    """Laboratory results at the tap, 20 and 2 days ago, assessed."""
    keep(mill, *(LabResult(id=f"{analyte} {days}", point="tap", taken=NOW - timedelta(days=days), analyte=analyte,
                           value=value, u=1.0, unit="mg/L CaCO3")
                 for days in (20, 2) for analyte, value in (("hardness", 75.0), ("alkalinity", 45.0))))
    list(assess_samples(mill, ACCOUNT, "results added"))
    return mill


def used(store: Store) -> dict[int, str]:
    """The set of limits of the current assessment of each sample, by its age in days."""
    return {(NOW - a.taken).days: a.assessment.provenance.limits for a in current_assessments(store, "tap").values()}


def test_a_set_applies_from_its_day_and_is_assessed_again(store: Store) -> None:
    assert used(store) == {20: "default", 2: "default"}
    changes = limit_changes(store, ALL_SITES, {"tap"}, TARGET)
    assert [(c.point.id, c.was) for c in changes] == [("tap", None)]
    changed = assign_limits(store, ACCOUNT, changes, TARGET)
    assert [c.on for c in changed] == [DAY - timedelta(days=2)]
    assert used(store) == {20: "default", 2: "cup-target"}
    assert len(store.find(SamplingPoint, id="tap")[0].limits) == 1
    assert limit_changes(store, ALL_SITES, {"tap"}, TARGET) == []
    back = LimitAssignment(since=DAY - timedelta(days=1), limits=None)
    assert assign_limits(store, ACCOUNT, limit_changes(store, ALL_SITES, {"tap"}, back), back) == []
    point = store.get(SamplingPoint, "tap")
    assert [point.limits_on(DAY - timedelta(days=days)) for days in (11, 10, 1)] == [None, "cup-target", None]


def test_other_points_and_the_limits_of_treated_water_follow(store: Store) -> None:
    assign_limits(store, ACCOUNT, limit_changes(store, ALL_SITES, {"behind"}, TARGET), TARGET)
    behind, tap = store.get(SamplingPoint, "behind"), store.get(SamplingPoint, "tap")
    assert terms_at(own_terms(store), tap, NOW) == own_terms(store)
    lowest = [upper_limits(terms_at(own_terms(store), point, NOW)) for point in (tap, None, behind)]
    assert lowest[0] == lowest[1] != lowest[2]


def test_an_unknown_set_is_rejected(store: Store) -> None:
    unknown = LimitAssignment(since=DAY, limits="cup-targte")
    with pytest.raises(InputError, match="no such set of limits; found 'cup-targte'; allowed: cup-chart, cup-target"):
        limit_changes(store, ALL_SITES, {"tap"}, unknown)
