"""A unit of the catalogue for sampling points: recorded work, and the waters of their sites assessed again."""

from datetime import timedelta

import pytest

from shared.errors import InputError
from stripread.intake.assessment_cases import current_assessments
from stripread.intake.reassess import assess_samples
from stripread.operations.assignment import assign_unit, unit_changes
from stripread.store.models.evidence import LabResult
from stripread.store.models.sites import Service
from stripread.store.site_access import ALL_SITES
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, NOW, keep


@pytest.fixture
def store(mill: Store) -> Store:
    """Laboratory results at tap and outlet, of a time after the assignment, assessed without a unit."""
    keep(mill, *(LabResult(id=f"{analyte} {point}", point=point, taken=NOW + timedelta(hours=1), analyte=analyte,
                           value=value, u=3.0, unit="mg/L CaCO3")
                 for point, hardness in (("tap", 240.0), ("behind", 90.0))
                 for analyte, value in (("hardness", hardness), ("alkalinity", hardness - 50.0))))
    list(assess_samples(mill, ACCOUNT, "results added"))
    return mill


def test_the_treated_water_is_assessed_again_with_the_unit(store: Store) -> None:
    changes = unit_changes(store, ALL_SITES, {"behind"}, "weak-acid-exchange")
    assert [(c.point.id, c.was) for c in changes] == [("behind", None)]
    changed = assign_unit(store, ACCOUNT, changes, "weak-acid-exchange")
    assert [(c.point_name, c.before) for c in changed] == [("behind the filter", changed[0].before)]
    (now,) = current_assessments(store, "behind").values()
    assert now.id == changed[0].assessment
    assert now.assessment.diagnosis is not None, "it is compared with its feed water"
    assert [s.job for s in store.find(Service)] == ["installed"]
    assert unit_changes(store, ALL_SITES, {"behind"}, "weak-acid-exchange") == []


def test_another_unit_replaces_it(store: Store) -> None:
    for unit in ("weak-acid-exchange", "carbon-filter"):
        assign_unit(store, ACCOUNT, unit_changes(store, ALL_SITES, {"behind"}, unit), unit)
    assert {(s.unit, s.job) for s in store.find(Service)} == {
        ("mill/weak-acid-exchange", "installed"), ("mill/weak-acid-exchange", "removed"),
        ("mill/carbon-filter", "installed")}


def test_a_point_of_the_mains_has_no_unit(store: Store) -> None:
    with pytest.raises(InputError, match="a sampling point of the mains cannot have a unit"):
        unit_changes(store, ALL_SITES, {"tap"}, "weak-acid-exchange")
