"""Values measured with a meter or by titration: unit and decimal sign of the person, all or none."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.errors import InputError
from shared.notation import Notation
from stripread.intake.typed_values import TypedValues, store_typed_values
from stripread.store.accounts import create_first_administrator
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import LabResult
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.store import Store
from tests.stripread.store.histories import new_store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = new_store(tmp_path)
    account = create_first_administrator(opened, "Ines", ROLES).id
    with opened.writing(account) as work:
        work.put(Site(id="mill", name="Mill"), "made")
        work.put(SamplingPoint(id="tap", site="mill", place="mains", name="tap"), "made")
    return opened


def typed(store: Store, notation: Notation, **values: str) -> list[LabResult]:
    (account,) = store.find(Account)
    return store_typed_values(store, account.id, TypedValues(point="tap", method="titration", values=values,
                                                             notation=notation))


def test_values_are_stored_in_the_unit_of_the_analyte(store: Store) -> None:
    """1 °dH is 17.848 mg/L CaCO3 (DIN 38409-6, from memory)."""
    found = typed(store, Notation(unit="°dH", comma=True), hardness="3,5", ph="7,4", chloride=" ")
    assert {r.analyte: r.value for r in found} == {"hardness": pytest.approx(3.5 * 17.848, rel=1e-3), "ph": 7.4}
    assert {r.id for r in store.find(LabResult)} == {r.id for r in found}
    assert {r.method for r in found} == {"titration"}


@pytest.mark.parametrize("values", [{}, {"hardness": " "}, {"hardness": "60", "ph": "15"}, {"hardness": "sixty"},
                                    {"chlorine": "-1"}, {"chlorine": "nan"}, {"chlorine": "1e999"}])
def test_what_is_not_a_value_stores_nothing(store: Store, values: dict[str, str]) -> None:
    with pytest.raises(InputError):
        typed(store, Notation(), **values)
    assert not store.find(LabResult)
