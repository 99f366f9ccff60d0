"""A company's own limits and treatment units: registered, used by every reading, and changed with a re-assessment."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from shared.errors import FileError
from stripread.exchange.csv_import import records_of
from stripread.intake.materials_import import import_file
from stripread.intake.process import process_photos
from stripread.intake.reassess import reassess
from stripread.intake.receive import SampleInfo, receive_photo
from stripread.intake.terms import catalogue, own_terms
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import Unit
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.store import Store
from tests.stripread.intake.phone_photos import phone_photo
from tests.stripread.store.histories import ACCOUNT, NOW

LIMITS = """
name = "{name}"
about = "invented for this test"
extends = "default"

[[limit]]
measure = "ph"
unit = "pH"
severity = "cup"
at_most = {most}
if_high = "invented"
source = "common practice, no source"
"""
UNITS = """
[units.own-softener]
name = "invented softener"
kind = "sodium-softening"
capacity_eq = 1.0
price = 120.0
currency = "XTS"
"""


@pytest.fixture
def store(sample_store: Store) -> Store:
    return sample_store


def limits_file(folder: Path, name: str, most: float) -> Path:
    path = folder / f"{name}.toml"
    path.write_text(LIMITS.format(name=name, most=most))
    return path


def taken(store: Store, samples: Path, name: str) -> StoredAssessment:
    photograph = receive_photo(
        store, ACCOUNT, phone_photo(samples / "sites" / f"{name}.jpg"), SampleInfo(batch="samples")
    )
    (one,) = process_photos(store, ACCOUNT, [photograph])
    assert one.assessment is not None
    return one.assessment


def test_changed_limits_add_assessments_and_retain_earlier_ones(
        tmp_path: Path, store: Store, samples: Path) -> None:
    first = taken(store, samples, "harbour-kiosk")
    assert first.assessment.provenance.limits == "default"
    assert import_file(store, ACCOUNT, limits_file(tmp_path, "strict", 6.5)).terms
    (again,) = reassess(store, ACCOUNT, "limits registered")
    assert (again.reading, again.assessment.provenance.limits) == (first.reading, "strict")
    assert again.assessment.verdicts["cup"] == "out-of-limits"
    assert {a.id for a in store.find(StoredAssessment, reading=first.reading)} == {first.id, again.id}
    (listed,) = readings(store, ReadingFilter())
    assert listed.verdict == again.verdict
    assert list(reassess(store, ACCOUNT, "again")) == [], "nothing has changed"
    assert not import_file(store, ACCOUNT, tmp_path / "strict.toml").terms
    later = taken(store, samples, "limestone-hill")
    assert later.assessment.provenance.limits == "strict", "used by every later reading"
    assert verify_store(store).wrong == ""


def test_own_units_are_recommended_and_installed_with_their_prices(tmp_path: Path, store: Store, samples: Path) -> None:
    (tmp_path / "units.toml").write_text(UNITS)
    assert import_file(store, ACCOUNT, tmp_path / "units.toml").terms
    known = catalogue(own_terms(store))
    assert (known["own-softener"].price, known["own-softener"].currency) == (120.0, "XTS")
    assert "weak-acid-exchange" in known
    offered = taken(store, samples, "limestone-hill").assessment.options
    assert b"invented softener" in json.dumps([str(option) for option in offered]).encode()
    (tmp_path / "t.csv").write_text("treatment unit,site,catalogue\nu,s,own-softener\n")
    (found,) = records_of([tmp_path / "t.csv"], NOW, known)
    assert isinstance(found.record, Unit)
    assert found.record.unit.price == 120.0


@pytest.mark.parametrize(("text", "says"), [
    ("name = 1\n", "either limits or treatment units"),
    (UNITS.replace("120.0", "-1.0"), "price"), (UNITS.replace("sodium-softening", "magnet"), "magnet"),
    (LIMITS.format(name="x", most="'seven'"), "at_most")])
def test_an_invalid_file_is_not_registered(tmp_path: Path, store: Store, text: str, says: str) -> None:
    (tmp_path / "own.toml").write_text(text)
    before = store.head()
    with pytest.raises(FileError, match=says):
        import_file(store, ACCOUNT, tmp_path / "own.toml")
    assert store.head() == before
