"""Recorded work: what cannot be true is rejected with a message, and nothing is stored."""

from datetime import timedelta

import msgspec
import pytest

from assess.treatment.unit import load_units
from stripread.operations.decisions import record_service
from stripread.store.errors import RecordsError
from stripread.store.models.sites import Service, Unit
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, NOW, keep

UNITS = load_units()
#: With the marks of its valve.
UNITS["weak-acid-exchange"] = msgspec.structs.replace(UNITS["weak-acid-exchange"], bypass_settings=(0.0, 0.1, 0.2, 0.4))


@pytest.fixture
def store(mill: Store) -> Store:
    """An exchanger with a meter and a carbon filter, installed 100 days ago."""
    for id_ in ("weak-acid-exchange", "carbon-filter"):
        keep(mill, Unit(id=id_, site="mill", catalogue=id_, unit=UNITS[id_]))
        record_service(mill, work(id_, 100, "installed", litres=50.0))
    record_service(mill, work("weak-acid-exchange", 50, "inspected", litres=1000.0))
    return mill


def work(unit: str, days: int, job: str, **given: float) -> Service:
    return Service(id=f"{unit} {days}", unit=unit, at=NOW - timedelta(days=days), job=job, account=ACCOUNT,  # type: ignore[arg-type]
                   **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(("made", "says"), [
    (work("carbon-filter", 10, "setting changed", setting=0.3), "this unit has no setting"),
    (work("weak-acid-exchange", 10, "setting changed", setting=0.35),
     r"does not have this setting; found 0.35; allowed: 0, 0.1, 0.2"),
    (work("weak-acid-exchange", 10, "inspected", litres=900.0),
     r"the meter reading is lower than an earlier one; found 900 L; allowed: 1000 L or more \(reading of 2026-01-11\)"),
    (work("weak-acid-exchange", 80, "inspected", litres=1200.0), "allowed: 1000 L or less"),
    (work("weak-acid-exchange", 120, "cleaned"), "dated before the unit was installed; found 2025-11-02"),
])
def test_impossible_work_is_rejected(store: Store, made: Service, says: str) -> None:
    with pytest.raises(RecordsError, match=says):
        record_service(store, made)
    assert made.id not in store.ids(Service)


def test_a_meter_can_be_reset_with_the_cartridge(store: Store) -> None:
    record_service(store, work("weak-acid-exchange", 20, "cartridge changed", litres=0.0))
    record_service(store, work("weak-acid-exchange", 10, "inspected", litres=300.0, setting=0.4))
    assert len(store.find(Service, unit="weak-acid-exchange")) == 4
