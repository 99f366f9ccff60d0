"""What is put into a store comes out again, and what cannot be kept is refused in words."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from math import nan

import msgspec
import pytest

from stripread.store import database
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import LabResult, StoredReading
from stripread.store.models.materials import Batch, Tube
from stripread.store.models.record import Record
from stripread.store.models.sites import Site
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store
from tests.loops import some
from tests.stripread.store.histories import ACCOUNT, NOW, keep
from tests.stripread.store.world import World


def test_every_record_type_is_stored_and_found(world: World) -> None:
    assert {type(record) for record in world.records} == set(RECORD_TYPES)
    for record in world.records:
        assert world.store.get(type(record), record.id) == record
    found = verify_store(world.store)
    assert (found.wrong, found.notes) == ("", ())
    assert (found.records, found.photographs) == (len(world.records), 1)


def test_storing_the_same_record_again_changes_nothing(world: World) -> None:
    head = world.store.head()
    keep(world.store, *world.records)
    assert world.store.head() == head


def test_the_audit_trail_contains_both_versions_of_a_changed_record(world: World) -> None:
    site = world.store.get(Site, "mill")
    keep(world.store, msgspec.structs.replace(site, name="Mill Street"))
    assert world.store.get(Site, "mill").name == "Mill Street"
    assert world.store.find(Site, name="Mill Lane") == []
    assert not verify_store(world.store).wrong


def test_records_are_found_by_their_columns(world: World) -> None:
    assert [r.id for r in world.store.find(StoredReading, supersedes=None)] == ["reading of tap.jpg"]
    assert [t.id for t in world.store.find(Tube, opened=date(2026, 2, 1))] == ["samples/1"]
    assert len(world.store.find(LabResult, struck=None, taken=NOW)) == 1


def test_an_immutable_record_cannot_be_changed(world: World) -> None:
    """A record of each kind that is kept for good, put again with one field changed."""
    head = world.store.head()
    records = {type(r): r for r in world.records if RECORD_TYPES[type(r)].immutable}
    assert len(records) == sum(kind.immutable for kind in RECORD_TYPES.values())
    for record in some(records.values()):
        field = next(f for f in ("why", "note", "text", "at") if f in record.__struct_fields__)
        other = NOW.replace(year=2020) if field == "at" else "something else"
        with pytest.raises(RecordsError, match="the record is immutable"):
            keep(world.store, msgspec.structs.replace(record, **{field: other}))
    assert world.store.head() == head


def test_a_transaction_is_atomic(store: Store) -> None:
    def half() -> None:
        with store.writing(ACCOUNT) as work:
            work.put(Site(id="a", name="A"), "added")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        half()
    assert store.find(Site) == []
    assert store.head().entries == 0


def lab(**change: object) -> LabResult:
    known: dict[str, object] = {"id": "new", "point": "tap", "taken": NOW, "analyte": "hardness", "value": 1.0,
                                "unit": "mg/L CaCO3"}
    return LabResult(**known | change)  # type: ignore[arg-type]


@pytest.mark.parametrize(("record", "words"), [
    (lambda: lab(point="no such point"), "no such sampling point"),
    (lambda: lab(value=nan), "the record is invalid"),
    (lambda: lab(taken=NOW.replace(tzinfo=None)), "the record is invalid"),
    (lambda: Site(id="", name="a"), "the record is invalid"),
    (lambda: Site(id="a", name="two\nlines"), "the record is invalid"),
    (lambda: Site(id="a\n", name="a"), "the record is invalid"),
    (lambda: Site(id="a", name="half \ud800 a character"), "the record is invalid"),
    (lambda: Batch(id="b", strip="s", keeps_days=0), "the record is invalid")])
def test_an_invalid_record_is_rejected(world: World, record: Callable[[], Record], words: str) -> None:
    head = world.store.head()
    with pytest.raises(RecordsError, match=words):
        keep(world.store, record())
    assert world.store.head() == head


def test_too_large_a_record_is_rejected(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stripread.store.transaction.LONGEST", 1000)
    with pytest.raises(RecordsError, match="the record is too large"):
        keep(store, Site(id="a", name="a", note="x" * 2000))


def test_a_decompression_bomb_is_not_a_record(monkeypatch: pytest.MonkeyPatch) -> None:
    column = database.CompressedText()
    monkeypatch.setattr(database, "LONGEST", 1000)
    for text, comes_out in (("x" * 1000, "x" * 1000), ("x" * 1001, "")):
        stored = column.process_bind_param(text, None)  # type: ignore[arg-type]
        assert column.process_result_value(stored, None) == comes_out  # type: ignore[arg-type]


def test_an_action_needs_an_account(store: Store) -> None:
    with pytest.raises(RecordsError, match="no such account"):
        keep(store, Site(id="a", name="A"), by="a stranger")
    assert store.find(Site) == []


def test_a_reason_must_be_valid_unicode(world: World) -> None:
    with pytest.raises(RecordsError, match="not valid Unicode"), world.store.writing(ACCOUNT) as work:
        work.note("exported", "bytes of a terminal: \udc80")


def test_a_nul_in_a_reason_is_stored_in_every_database(world: World) -> None:
    with world.store.writing(ACCOUNT) as work:
        work.note("exported", "a \x00 in the middle")
    assert not verify_store(world.store).wrong
