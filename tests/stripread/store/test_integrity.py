"""Any change made outside the program is detected, in every table, on each type of database."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from sqlite3 import IntegrityError, connect
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
import pytest
from sqlalchemy import (
    Connection,
    Executable,
    NullPool,
    Table,
    create_engine,
    delete,
    func,
    insert,
    select,
    text,
    update,
)

from stripread.cli.main import run
from stripread.store import audit_trail
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account
from stripread.store.models.materials import StoredChart
from stripread.store.models.sites import Site
from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME, NAMES, READING_INDEX, RECORD_TYPES
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store, open_to_verify
from tests.stripread.store.histories import ACCOUNT, keep
from tests.stripread.store.world import World

KIND_TABLES = [kind.table for kind in BY_NAME.values()]
TABLES = [BODIES, AUDIT_TRAIL, NAMES, READING_INDEX, *KIND_TABLES]
COLUMNS = [(table, column.name) for table in TABLES for column in table.c]
#: The user that owns nothing.
NOBODY = 65534
KEY = {table: next(iter(table.primary_key)) for table in TABLES}


@contextmanager
def unguarded(store: Store, *tables: Table) -> Iterator[Connection]:
    """A transaction of somebody who owns the database and changes tables (all, unless named) by other means."""
    engine = create_engine(store.engine.url, poolclass=NullPool)
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SET LOCAL session_replication_role = replica"))
            yield connection
            return
        connection.execute(text("PRAGMA synchronous=OFF"))
        names = [changed.name for changed in tables or TABLES]
        triggers = [(name, made) for name, on, made in connection.execute(text(
            "SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'")) if on in names]
        for name, _ in triggers:
            connection.execute(text(f"DROP TRIGGER {name}"))
        yield connection
        for _, made in triggers:
            connection.execute(text(made))


def found_and_undone(store: Store, table: Table, deed: Executable, undoing: Executable) -> bool:
    """Return whether a change of a table is detected; it is undone afterwards."""
    with unguarded(store, table) as connection:
        connection.execute(deed)
    wrong = verify_store(store).wrong
    with unguarded(store, table) as connection:
        connection.execute(undoing)
    return bool(wrong)


def first_row(store: Store, table: Table) -> dict[str, Any]:
    with store.viewing() as connection:
        return dict(connection.execute(select(table).order_by(KEY[table]).limit(1)).mappings().one())


def other(name: str, value: Any) -> Any:
    """Another value that the column can take."""
    if name in ("sha256", "hash", "salt"):
        return "0" * 64
    return value + 1000 if isinstance(value, int) else f"{value or ''}x"


@pytest.mark.parametrize("shared", ["sqlite"], indirect=True)
@pytest.mark.parametrize(("table", "column"), COLUMNS, ids=lambda x: getattr(x, "name", x))
def test_a_changed_column_is_detected(shared: Store, table: Table, column: str) -> None:
    old = first_row(shared, table)
    new = old | {column: other(column, old[column])}
    assert found_and_undone(shared, table, *(update(table).where(KEY[table] == here[KEY[table].name]).values(there)
                                      for here, there in ((old, new), (new, old))))


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_a_deleted_row_is_detected(shared: Store, table: Table) -> None:
    row = first_row(shared, table)
    assert found_and_undone(shared, table, delete(table).where(KEY[table] == row[KEY[table].name]),
                            insert(table).values(row))


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_an_added_row_is_detected(shared: Store, table: Table) -> None:
    row, key = first_row(shared, table), KEY[table]
    alone = {name: None for name in ("supersedes", "amends") if name in row}
    new = row | {key.name: other(key.name, row[key.name])} | alone
    assert found_and_undone(shared, table, insert(table).values(new), delete(table).where(key == new[key.name]))


@pytest.mark.parametrize("table", [BODIES, *(kind.table for kind in BY_NAME.values() if kind.name in (
    "points", "readings"))], ids=lambda t: t.name)
def test_swapped_bodies_are_detected(world: World, table: Table) -> None:
    key, said = KEY[table], table.c["body" if table is BODIES else "sha256"]
    with unguarded(world.store, table) as connection:
        (a, one), (b, two) = connection.execute(select(key, said).order_by(key).limit(2))
        for place, value in ((a, two), (b, one)):
            connection.execute(update(table).where(key == place).values({said.name: value}))
    assert verify_store(world.store).wrong


def test_swapped_entries_are_detected(world: World) -> None:
    with unguarded(world.store) as connection:
        rows = (
            connection.execute(select(AUDIT_TRAIL).where(AUDIT_TRAIL.c.seq.in_([3, 4])).order_by(AUDIT_TRAIL.c.seq))
            .mappings()
            .all()
        )
        for here, there in (rows, rows[::-1]):
            connection.execute(update(AUDIT_TRAIL).where(AUDIT_TRAIL.c.seq == here["seq"]).values(
                {**there, "seq": here["seq"]}))
    assert verify_store(world.store).wrong == (
        "audit trail entry 3 was changed, or does not follow from the previous entry")


def rewritten(connection: Connection, last: int) -> None:
    """Cut the log after ``last``, with all that the entries beyond it speak of: a thorough forger's work."""
    cut = connection.execute(select(AUDIT_TRAIL).where(AUDIT_TRAIL.c.seq > last)).mappings().all()
    for row in cut[::-1]:
        entry = msgspec.json.decode(row["entry"], type=audit_trail.AuditEntry)
        if entry.kind:
            connection.execute(delete(BY_NAME[entry.kind].table).where(BY_NAME[entry.kind].table.c.id == entry.record))
            connection.execute(delete(BODIES).where(BODIES.c.sha256 == entry.body))
        connection.execute(delete(AUDIT_TRAIL).where(AUDIT_TRAIL.c.seq == entry.seq))


def test_a_truncated_audit_trail_is_detected_only_with_a_checkpoint(world: World) -> None:
    keep(world.store, Site(id="new", name="new"))
    head = world.store.head()
    with unguarded(world.store) as connection:
        rewritten(connection, head.entries - 1)
    assert verify_store(world.store).wrong == ""
    found = verify_store(world.store, head).wrong
    assert found == (f"audit trail entry {head.entries} is missing, but the checkpoint includes it: "
                     "the audit trail was truncated")


def test_a_rewritten_audit_trail_is_detected_only_with_a_checkpoint(world: World) -> None:
    keep(world.store, Site(id="new", name="new"))
    head = world.store.head()
    with unguarded(world.store) as connection:
        rewritten(connection, head.entries - 1)
    keep(world.store, Site(id="new", name="another"), Site(id="newer", name="newer"))
    assert verify_store(world.store).wrong == ""
    assert "does not match the checkpoint" in verify_store(world.store, head).wrong


def test_an_earlier_checkpoint_remains_valid(world: World) -> None:
    for head in (audit_trail.Checkpoint(entries=0, hash=audit_trail.START), world.store.head()):
        keep(world.store, Site(id=f"after {head.entries}", name="later"))
        assert verify_store(world.store, head).wrong == ""


def test_a_change_of_an_immutable_record_is_detected_despite_its_entry(world: World) -> None:
    """The chain is valid and grows, but such a record may have one entry only."""
    with unguarded(world.store) as connection:
        site, chart = RECORD_TYPES[Site].table, RECORD_TYPES[StoredChart].table
        body = connection.scalar(select(site.c.sha256))
        id_ = connection.scalar(select(chart.c.id))
        assert body
        assert id_
        connection.execute(update(chart).values(sha256=body))
        action = audit_trail.AuditedAction(account=ACCOUNT, when=world.store.clock(), what="added")
        audit_trail.append(connection, action, audit_trail.AuditSubject(kind="charts", record=id_, body=body))
    assert f"changes an immutable record: charts {id_}" in verify_store(world.store).wrong


def test_a_missing_trigger_is_detected(world: World) -> None:
    on = " ON readings" if world.store.engine.dialect.name == "postgresql" else ""
    with world.store.engine.begin() as connection:
        connection.execute(text(f"DROP TRIGGER readings_update{on}"))
    assert verify_store(world.store).wrong.startswith("trigger readings_update is missing")


def test_a_foreign_trigger_is_detected(world: World) -> None:
    with world.store.engine.begin() as connection:
        connection.execute(text("CREATE VIEW helpful AS SELECT 1 AS one"))
    assert verify_store(world.store).wrong == "trigger or view helpful was not created by this program"


def test_nothing_is_added_to_a_damaged_audit_trail(world: World) -> None:
    with unguarded(world.store) as connection:
        last = connection.scalar(select(func.max(AUDIT_TRAIL.c.seq)))
        connection.execute(update(AUDIT_TRAIL).where(AUDIT_TRAIL.c.seq == last).values(hash="no hash"))
    with pytest.raises(Exception, match="the audit trail is damaged; nothing was added to it"):
        keep(world.store, Site(id="new", name="new"))


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize(("table", "key"), [(BODIES, "sha256"), (AUDIT_TRAIL, "seq")])
def test_another_program_cannot_replace_a_row(store: Store, table: Table, key: str) -> None:
    """By a connection of another program, without recursive triggers (SQLite, CREATE TRIGGER and ON CONFLICT)."""
    keep(store, Account(id=ACCOUNT, roles=("technician",)))
    values = ", ".join("x.body || ' '" if c.name == "body" else "x.entry || ' '" if c.name == "entry" else f"x.{c.name}"
                       for c in table.c)
    names = ", ".join(c.name for c in table.c)
    numbered = ", ".join("hex(randomblob(32))" if c.name == key else f"x.{c.name}" for c in table.c)
    with closing(connect(str(store.engine.url.database))) as elsewhere:
        deeds = [f"INSERT OR REPLACE INTO {table.name} ({names}) SELECT {values} FROM {table.name} x"]  # noqa: S608
        if table is BODIES:
            deeds.append(f"INSERT OR REPLACE INTO bodies (rowid, {names}) SELECT x.rowid, {numbered} FROM bodies x")  # noqa: S608
        for deed in deeds:
            with pytest.raises(IntegrityError, match="append-only"):
                elsewhere.execute(deed)
    assert not verify_store(store).wrong


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_store_of_another_owner_is_verified_in_place(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder and files that this user may only read, by the command too; not a byte is written."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        there = msgspec.structs.replace(settings, database=f"sqlite:///{folder / 'records.sqlite'}",
                                        photographs=str(folder / "photographs"))
        store = open_store(there)
        keep(store, Account(id=ACCOUNT, roles=("technician",)))
        store.close()
        for path in folder.rglob("*"):
            path.chmod(0o755 if path.is_dir() else 0o444)
        monkeypatch.setenv("STRIPREAD_DATABASE", there.database)
        monkeypatch.setenv("STRIPREAD_PHOTOGRAPHS", there.photographs)
        monkeypatch.setenv("HOME", name)
        assert run(["audit", "verify"]) == 0  # once as root, so that all is imported
        for beside in folder.glob("records.sqlite-*"):  # the index of writes that SQLite makes where it may
            beside.unlink()
        before = sorted((p, p.stat().st_mtime_ns) for p in folder.rglob("*"))
        os.seteuid(NOBODY)
        try:
            with closing(open_to_verify(there)) as readable:
                found = verify_store(readable)
            assert run(["audit", "verify"]) == 0
        finally:
            os.seteuid(0)
        assert (found.wrong, found.records) == ("", 1)
        assert sorted((p, p.stat().st_mtime_ns) for p in folder.rglob("*")) == before
