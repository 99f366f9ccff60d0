"""The log: its form as published, its chain recomputed by other means, its entries never taken back."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone

import msgspec
import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Executable, create_engine, delete, insert, select, text, update
from sqlalchemy.exc import IntegrityError

from stripread.store import audit_trail
from stripread.store.database import writer
from stripread.store.errors import RecordsError, translate_errors
from stripread.store.integrity import verify_store
from stripread.store.models.record import stamp
from stripread.store.schema import AUDIT_TRAIL, BY_NAME, METADATA, RECORD_TYPES
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, NOW
from tests.stripread.store.world import World

#: What is kept for good; in the other tables rows may change, in none may they go.
KEPT = ["bodies", "audit_trail", *(kind.name for kind in RECORD_TYPES.values() if kind.immutable)]


def entry(why: str, seq: int = 1) -> audit_trail.AuditEntry:
    return audit_trail.AuditEntry(
        seq=seq, account="p-1", when=stamp(NOW), what="received", kind="photographs", record="r", body="b", why=why
    )


def test_text_is_written_as_in_the_example_of_rfc_8785() -> None:
    """RFC 8785, section 3.2.2: the member "string" of the sample, its bytes as in section 3.2.4."""
    sample = json.loads(r'"\u20ac$\u000F\u000aA\u0027\u0042\u0022\u005c\\\"\/"')
    published = bytes.fromhex("22 e2 82 ac 24 5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22")
    assert published in entry(sample).canonical().encode()


@given(why=st.text(), seq=st.integers(1, 2**53 - 1))
def test_entries_are_in_the_form_of_rfc_8785(why: str, seq: int) -> None:
    """A second way to the same bytes: the package rfc8785."""
    made = entry(why, seq)
    plain = {field.encode_name: getattr(made, field.name) for field in msgspec.structs.fields(made)}
    assert made.canonical().encode() == rfc8785.dumps(plain)


def test_an_action_of_an_earlier_version_is_shown_in_current_terms() -> None:
    """The text of the entry, which the chain binds, keeps the earlier word."""
    earlier = msgspec.structs.replace(entry("why"), what="told")
    assert earlier.action == "recorded"
    assert '"what":"told"' in earlier.canonical()
    assert entry("why").action == "received"


def chained(texts: Sequence[str]) -> list[str]:
    """The chain by its definition: each hash is of the one before, as 32 bytes, and the text in UTF-8."""
    hashes, last = [], bytes(32)
    for line in texts:
        state = hashlib.new("sha256")
        state.update(last)
        state.update(line.encode("utf-8"))
        last = state.digest()
        hashes.append(last.hex())
    return hashes


def test_the_chain_agrees_with_its_definition(world: World) -> None:
    with world.store.viewing() as connection:
        rows = connection.execute(
            select(AUDIT_TRAIL.c.seq, AUDIT_TRAIL.c.entry, AUDIT_TRAIL.c.hash).order_by(AUDIT_TRAIL.c.seq)
        ).all()
    assert [row.seq for row in rows] == list(range(1, len(rows) + 1))
    assert [row.hash for row in rows] == chained([row.entry for row in rows])
    assert world.store.head() == audit_trail.Checkpoint(entries=len(rows), hash=rows[-1].hash)


def test_a_chain_of_known_hashes() -> None:
    """Computed by sha256sum: 32 zero bytes and the first text; then that hash's bytes and the second text."""
    first = audit_trail.chain_hash(audit_trail.START, '{"a":1}')
    assert first == "b06a229070741292512e8760f470dd7a4c46ccfdf253df781d88dabe58c1ccb1"
    assert audit_trail.chain_hash(first, "{}") == "2e855f0ddd41a23ab50302c297a35ff478e9c6fb01c610d1895414ae220a09bb"


def test_an_entry_records_who_what_when_and_why(world: World) -> None:
    with world.store.viewing() as connection:
        texts = connection.scalars(select(AUDIT_TRAIL.c.entry).where(AUDIT_TRAIL.c.kind == "reviews")).all()
    (said,) = (json.loads(line) for line in texts)
    assert (said["who"], said["what"], said["why"], said["record"]) == (ACCOUNT, "added", "to be tested", "looked")
    assert said["when"] == "2026-03-02T12:00:00.000000+00:00"


@given(st.integers(0, 4 * 10**15), st.integers(-14 * 60, 14 * 60))
def test_stamps_sort_by_time_in_any_time_zone(microseconds: int, minutes: int) -> None:
    moment = datetime(1990, 1, 1, tzinfo=UTC) + timedelta(microseconds=microseconds)
    there = moment.astimezone(timezone(timedelta(minutes=minutes)))
    assert stamp(there) == stamp(moment)
    assert stamp(there) < stamp(there + timedelta(microseconds=1))


@pytest.mark.parametrize("table", KEPT)
def test_immutable_tables_reject_changes(shared: Store, table: str) -> None:
    first = next(iter(METADATA.tables[table].c))
    refused(shared, update(METADATA.tables[table]).values({first: first}))


@pytest.mark.parametrize("table", ["bodies", "audit_trail", *BY_NAME])
def test_nothing_can_be_deleted(shared: Store, table: str) -> None:
    refused(shared, delete(METADATA.tables[table]))


def refused(store: Store, statement: Executable) -> None:
    with pytest.raises(RecordsError, match="stored records cannot be changed or deleted"), \
            translate_errors(store.where), writer(store.engine).begin() as connection:
        connection.execute(statement)


@pytest.mark.parametrize("shared", ["postgresql"], indirect=True)
@pytest.mark.parametrize("table", KEPT)
def test_postgresql_truncates_nothing(shared: Store, table: str) -> None:
    refused(shared, text(f"TRUNCATE {table} CASCADE"))


@pytest.mark.parametrize("world_url", ["sqlite"], indirect=True)
def test_sqlite_replaces_nothing(world: World) -> None:
    """INSERT OR REPLACE fires no delete trigger; the insert trigger rejects it on every connection."""
    forgery = text(
        "INSERT OR REPLACE INTO audit_trail SELECT seq, 'forged', hash, kind, record FROM audit_trail WHERE seq = 2"
    )
    refused(world.store, forgery)
    other = create_engine(world.store.engine.url)
    with pytest.raises(IntegrityError, match="audit_trail is append-only"), other.begin() as connection:
        connection.execute(forgery)
    other.dispose()
    assert verify_store(world.store).wrong == ""


def test_a_sequence_number_is_unique(world: World) -> None:
    with pytest.raises(RecordsError, match=r"audit_trail is append-only|a record with this key exists already"), \
            translate_errors(world.store.where), writer(world.store.engine).begin() as connection:
        connection.execute(insert(AUDIT_TRAIL).values(seq=1, entry="", hash="", kind="", record=""))


def test_a_clock_set_back_is_a_note_and_not_an_error(world: World) -> None:
    world.store.clock = lambda: NOW - timedelta(days=400)
    with world.store.writing(ACCOUNT) as work:
        work.note("exported")
    found = verify_store(world.store)
    assert found.wrong == ""
    (note,) = found.notes
    assert note == (f"audit trail entry {found.head.entries} is dated 2025-01-26T12:00:00.000000+00:00, "
                    "before the previous entry: a clock was set back")


@pytest.mark.parametrize("world_url", ["sqlite"], indirect=True)
def test_triggers_apply_to_other_programs(world: World) -> None:
    connection = sqlite3.connect(str(world.store.engine.url.database))
    with pytest.raises(sqlite3.IntegrityError, match="readings is append-only"):
        connection.execute("UPDATE readings SET status = 'no-result'")
    connection.close()
