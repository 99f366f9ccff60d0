"""Each earlier schema is upgraded with all its contents; databases of other programs are left unchanged."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import zlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Connection, column, create_engine, func, insert, inspect, select, table, text

from stripread import manual
from stripread.store import audit_trail, integrity
from stripread.store.backup.archive import open_archive, tables, without_progress
from stripread.store.backup.backup import RECORDS, _parents_first, restore
from stripread.store.database import open_engine, writer
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.migrate import REVISION, REVISION_TABLE, bring_up_to_date, revision_of, revisions, upgrade
from stripread.store.models.evidence import LabResult, StoredAssessment, StoredReading
from stripread.store.models.sites import Site
from stripread.store.reading_index import find_mismatch
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.schema import METADATA
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.loops import some
from tests.stripread.store.histories import ACCOUNT, keep

#: A store of two records as the first schema held it, rows by table, the hash of its last entry among them.
FIRST = json.loads((Path(__file__).parents[2] / "data" / "store-of-schema-0001.json").read_text(encoding="utf-8"))

#: A backup of a store with one record of each type and some more readings, made by the version of schema 0006.
EARLIER = Path(__file__).parents[2] / "data" / "store-of-schema-0006"

#: The index that only some PostgreSQL servers can have, and that the schema therefore does not contain.
TRIGRAMS = "ix_photographs_name_trigrams"


@pytest.fixture
def connection(database_url: str) -> Iterator[Connection]:
    """A writer's transaction in an empty database."""
    engine = open_engine(database_url)
    with writer(engine).begin() as opened:
        yield opened
    engine.dispose()


def differences(connection: Connection) -> list[object]:
    """How the database differs from the tables of this program."""
    found = compare_metadata(MigrationContext.configure(connection, opts={
        "version_table": REVISION_TABLE, "compare_type": True,
        "include_name": lambda name, _type, _parents: name != TRIGRAMS}), METADATA)
    return list(found)


def test_the_newest_migration_is_the_revision_of_the_program() -> None:
    assert revisions()[-1] == REVISION
    assert list(revisions()) == sorted(revisions())


def test_each_schema_is_upgraded_to_the_next(connection: Connection) -> None:
    """From an empty database through every earlier schema: the last is the schema of the program."""
    for revision in some(revisions()):
        upgrade(connection, revision)
        assert revision_of(connection) == revision
    assert differences(connection) == []
    assert integrity.present_triggers(connection) == integrity.expected_triggers(connection)


def fill(connection: Connection, rows: dict[str, list[dict[str, Any]]]) -> None:
    """Insert rows unchanged; the text of a body is deflated, as in its column."""
    for name, contents in rows.items():
        for row in contents:
            values = row | ({"body": zlib.compress(row["body"].encode())} if "body" in row else {})
            connection.execute(insert(table(name, *map(column, values))).values(values))


def test_an_upgrade_retains_the_records_of_the_first_schema(database_url: str, tmp_path: Path) -> None:
    engine, head = open_engine(database_url), audit_trail.Checkpoint(entries=2, hash=FIRST["log"][-1]["hash"])
    with writer(engine).begin() as connection:
        upgrade(connection, "0001")
        fill(connection, FIRST)
    engine.dispose()
    store = open_store(Settings(database=database_url, photographs=str(tmp_path / "photographs")))
    assert (store.get(Site, "mill"), store.head()) == (Site(id="mill", name="Mühlgasse"), head)
    keep(store, Site(id="new", name="new"))
    assert verify_store(store, head).wrong == ""
    store.close()


def fill_from_backup(connection: Connection) -> None:
    """Insert the rows of the backup into the tables that there are, as far as these have their columns."""
    with open_archive(EARLIER / RECORDS) as archive:
        for present in tables(connection):
            for row in _parents_first(present, archive.rows(present.name, present.c.keys())):
                connection.execute(insert(present).values(row))


def listed(store: Store) -> list[tuple[str, str, str | None, list[tuple[str, str, float]]]]:
    """Photograph, status, successor and values of all readings, in order of time."""
    return [(r.photo, r.status, r.superseded_by, [(v.analyte, v.status, v.value) for v in r.values])
            for r in readings(store, ReadingFilter(state=None), oldest_first=True)]


#: The readings of the earlier store in the terms of this version.
LISTED = [
    ("tap.jpg", "measured", None, [("hardness", "measured", 90.0), ("ph", "measured", 7.4)]),
    ("tap.jpg", "measured", "again", [("hardness", "measured", 90.0), ("ph", "measured", 7.4)]),
    ("no card.jpg", "no-result", None, []),
    ("beyond.jpg", "measured", "of another store",
     [("hardness", "below", 10.0), ("ph", "measured", 7.1), ("chloride", "above", 300.0)]),
    ("beyond.jpg", "measured", None, [("hardness", "measured", 12.0)]),
]


def test_a_store_of_the_previous_schema_lists_the_same_readings(settings: Settings) -> None:
    """Its records have earlier terms; they verify as they were written, and are the same to an import."""
    manifest = restore(EARLIER, settings, without_progress)
    with closing(open_store(settings)) as store:
        assert (manifest.revision, verify_store(store, manifest.head).wrong) == ("0006", "")
        assert listed(store) == LISTED
        assert store.get(LabResult, "lab").status == "measured"
        assert store.get(StoredAssessment, "judged").verdict == "inconclusive"
        assert [r.id for r in readings(store, ReadingFilter(state=None, verdict="inconclusive"))] == ["again"]
        with store.writing(ACCOUNT) as transaction:
            assert not any(transaction.put(reading, "imported") for reading in store.find(StoredReading))


def test_an_upgrade_corrects_the_list_of_the_second_schema(database_url: str) -> None:
    """Its list named no assessment, and had two current readings of a photograph that neither supersedes."""
    engine = open_engine(database_url)
    with writer(engine).begin() as connection:
        upgrade(connection, "0002")
        fill_from_backup(connection)
        connection.execute(text(
            "UPDATE listed SET superseded_by = (SELECT id FROM readings WHERE supersedes = listed.reading)"))
        upgrade(connection, REVISION)
        assert find_mismatch(connection) is None
    engine.dispose()


def test_opening_an_upgraded_store_changes_nothing(database_url: str) -> None:
    for _ in range(2):
        engine = open_engine(database_url)
        bring_up_to_date(engine)
        with engine.begin() as connection:
            assert revision_of(connection) == REVISION
        engine.dispose()


#: Upgrades the database at a URL, and is killed when all that remains is to commit.
KILLED = """
import os, sys
from stripread.store import migrate
from stripread.store.database import open_engine
upgrade = migrate.upgrade
migrate.upgrade = lambda *given: (upgrade(*given), os.kill(os.getpid(), 9))
migrate.bring_up_to_date(open_engine(sys.argv[1]))
"""


def test_an_interrupted_upgrade_changes_nothing(database_url: str) -> None:
    """The version that wrote the records can still use them, and the next upgrade is complete."""
    engine = open_engine(database_url)
    with writer(engine).begin() as connection:
        upgrade(connection, "0006")
        fill_from_backup(connection)
        before = schema_and_rows(connection)
    engine.dispose()
    killed = subprocess.run([sys.executable, "-c", KILLED, database_url], check=False, capture_output=True, text=True)
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    assert "upgrading the records from schema 0006" in killed.stderr
    with engine.begin() as connection:
        assert revision_of(connection) == "0006"
        assert schema_and_rows(connection) == before
    bring_up_to_date(engine)
    with engine.begin() as connection:
        assert find_mismatch(connection) is None
    engine.dispose()


def schema_and_rows(connection: Connection) -> dict[str, tuple[list[str], list[str], int]]:
    """Columns, indexes and number of rows of each table."""
    tables_now = inspect(connection)
    return {name: ([c["name"] for c in tables_now.get_columns(name)],
                   sorted(str(index["name"]) for index in tables_now.get_indexes(name)),
                   connection.execute(select(func.count()).select_from(table(name))).scalar_one())
            for name in tables_now.get_table_names()}


def test_many_processes_open_a_new_store_at_once(database_url: str) -> None:
    engines = [open_engine(database_url) for _ in range(6)]
    with ThreadPoolExecutor(6) as pool:
        list(pool.map(bring_up_to_date, engines))
    with engines[0].begin() as connection:
        assert differences(connection) == []
    for engine in engines:
        engine.dispose()


def test_the_database_of_a_later_version_is_rejected(database_url: str) -> None:
    engine = open_engine(database_url)
    bring_up_to_date(engine)
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE {REVISION_TABLE} SET version_num = '9999'"))  # noqa: S608
    with pytest.raises(RecordsError, match=r"made by a later version.*found schema 9999.*install that version"):
        bring_up_to_date(engine)
    engine.dispose()


def test_the_database_of_another_program_is_left_unchanged(database_url: str) -> None:
    other = create_engine(database_url)
    with other.begin() as connection:
        connection.execute(text("CREATE TABLE recipes (name TEXT)"))
    engine = open_engine(database_url)
    with pytest.raises(RecordsError, match="belongs to another program; found table recipes"):
        bring_up_to_date(engine)
    with other.begin() as connection:
        assert inspect(connection).get_table_names() == ["recipes"]
    for opened in (engine, other):
        opened.dispose()


def indexes(connection: Connection) -> set[str | None]:
    """The names of the indexes of photographs."""
    return {index["name"] for index in inspect(connection).get_indexes("photographs")}


def plan(connection: Connection, wanted: str) -> str:
    """How PostgreSQL would search for a part of a name if it avoided to read all of them."""
    connection.execute(text("SET LOCAL enable_seqscan = off"))
    photographs = METADATA.tables["photographs"].c
    query = select(photographs.id).where(photographs.name.icontains(wanted, autoescape=True))
    shown = query.compile(connection, compile_kwargs={"literal_binds": True})
    return "\n".join(connection.exec_driver_sql(f"EXPLAIN {shown}").scalars())


def test_a_part_of_a_name_is_searched_by_trigrams(postgresql_url: str) -> None:
    engine = open_engine(postgresql_url)
    with writer(engine).begin() as connection:
        upgrade(connection, REVISION)
        assert f"Bitmap Index Scan on {TRIGRAMS}" in plan(connection, "well_17")
    engine.dispose()


def statements_of_the_manual() -> list[str]:
    """Those by which an administrator adds the index."""
    page = (Path(manual.__file__).parent / "administrator.md").read_text(encoding="utf-8")
    return page.split("```sql\n")[1].split("```")[0].splitlines()


def test_an_account_without_rights_gets_no_trigrams(postgresql_url: str) -> None:
    """The upgrade succeeds; an administrator can add the index with the statements of the manual."""
    owner = open_engine(postgresql_url)
    with owner.begin() as connection:
        connection.execute(text("CREATE ROLE clerk LOGIN"))
        connection.execute(text("GRANT CREATE, USAGE ON SCHEMA public TO clerk"))
    clerk = open_engine(postgresql_url.replace("keeper@", "clerk@"))
    bring_up_to_date(clerk)
    with clerk.begin() as connection:
        assert differences(connection) == []
        assert TRIGRAMS not in indexes(connection)
    with owner.begin() as connection:
        for statement in statements_of_the_manual():
            connection.execute(text(statement))
        assert TRIGRAMS in indexes(connection)
        connection.execute(text("DROP OWNED BY clerk"))
        connection.execute(text("DROP ROLE clerk"))
    for engine in (owner, clerk):
        engine.dispose()
