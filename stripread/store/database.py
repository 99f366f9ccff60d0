"""Connection to an SQLite or PostgreSQL database, with durable commits and one writer at a time."""

from __future__ import annotations

import os
import zlib
from contextlib import closing
from pathlib import Path
from sqlite3 import Connection as SQLite
from sqlite3 import DatabaseError, connect
from typing import Any, Final

from sqlalchemy import URL, Connection, Dialect, Engine, LargeBinary, QueuePool, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.types import TypeDecorator

from stripread.store.errors import NoRecordsError, RecordsError

#: Maximum size of a stored text in bytes; a body that decompresses to more is a decompression bomb.
LONGEST: Final = 64 * 2**20


class CompressedText(TypeDecorator[str]):
    """A column of deflated text. Damaged text is returned as "", which is not a valid record."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes:  # noqa: ARG002
        """Return the compressed text."""
        return zlib.compress(str(value).encode())

    def process_result_value(self, value: Any, dialect: Dialect) -> str:  # noqa: ARG002
        """Return the decompressed text, "" if it is damaged."""
        try:
            return _decompressed(value).decode()
        except (zlib.error, TypeError, UnicodeDecodeError):
            return ""


def _decompressed(value: bytes) -> bytes:
    unpacking = zlib.decompressobj()
    text = unpacking.decompress(value, LONGEST)
    if not unpacking.eof or unpacking.unused_data:
        raise zlib.error("truncated, too long, or followed by other data")
    return text


#: Maximum time in seconds for which a writer waits for another.
LOCK_TIMEOUT_S: Final = 10.0
#: Arbitrary key of the advisory lock, the same for every writer of this program.
_WRITERS_LOCK: Final = 0x57A1B
_DRIVERS: Final = ("sqlite", "sqlite+pysqlite", "postgresql", "postgresql+psycopg")
_ALLOWED: Final = "sqlite:///path/to/records.sqlite, or postgresql://user@host/database"


def open_engine(url: str, *, new: bool = True, read_only: bool = False) -> Engine:
    """Return an engine for `reader` and `writer`; ``new``: a missing SQLite file may be created.

    ``read_only``: nothing is written, so that a store on a read-only medium, or of another owner, can be read.
    Raises RecordsError for a URL that is not supported, NoRecordsError for a missing file.
    """
    parsed = _parsed(url)
    if parsed.get_backend_name() == "postgresql":
        return _postgresql(parsed)
    file = Path(parsed.database or "").absolute()
    if not ((new and not read_only) or file.exists()):
        raise NoRecordsError(url)
    if read_only:
        return _read_only(file)
    _make_folder(file.parent)
    engine = create_engine(parsed, connect_args={"timeout": LOCK_TIMEOUT_S, "isolation_level": None})
    event.listen(engine, "connect", _set_up)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _read_only(file: Path) -> Engine:
    """Return a read-only engine; in a read-only folder without a pending write-ahead log the file is immutable."""
    waiting = Path(f"{file}-wal")
    frozen = not os.access(file.parent, os.W_OK, effective_ids=True) and not (
        waiting.exists() and waiting.stat().st_size)
    where = f"{file.as_uri()}?mode=ro{'&immutable=1' if frozen else ''}"
    engine = create_engine("sqlite://", creator=lambda: connect(
        where, uri=True, timeout=LOCK_TIMEOUT_S, isolation_level=None, check_same_thread=False), poolclass=QueuePool)
    # Messages and other users of the URL need the path.
    engine.url = make_url(f"sqlite:///{file}")
    event.listen(engine, "connect", _set_up_reading)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def writer(engine: Engine) -> Engine:
    """Return the engine with transactions that exclude other writers."""
    return engine.execution_options(writes=True)


def reader(engine: Engine) -> Engine:
    """Return the engine with read transactions, each on one snapshot of the database."""
    return engine if engine.dialect.name == "sqlite" else engine.execution_options(
        isolation_level="REPEATABLE READ", postgresql_readonly=True)


def forget_deleted(engine: Engine) -> None:
    """Remove deleted rows from SQLite's write-ahead log; a server removes them when it vacuums."""
    if engine.dialect.name == "sqlite":
        with closing(engine.raw_connection()) as connection:
            connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def shown(engine: Engine) -> str:
    """Return the URL of the database without its password, for messages."""
    return engine.url.render_as_string(hide_password=True)


def _parsed(url: str) -> URL:
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise RecordsError("the database URL is invalid", where="setting `database`", allowed=_ALLOWED) from error
    if parsed.drivername not in _DRIVERS or (parsed.get_backend_name() == "sqlite" and not _is_file(parsed)):
        raise RecordsError("this type of database is not supported", where="setting `database`",
                           found=parsed.render_as_string(hide_password=True), allowed=_ALLOWED)
    return parsed


def _is_file(url: URL) -> bool:
    """Return whether the URL names a file: not an in-memory database, and no options unknown to this program."""
    return url.database not in (None, "", ":memory:") and not url.query


def _make_folder(folder: Path) -> None:
    """Create the folder, readable by its owner only: the database contains names of persons."""
    try:
        if not folder.is_dir():
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise RecordsError("the folder of the database cannot be created", where=str(folder),
                           found=error.strerror or str(error), remedy="check the path and its permissions") from error


def _postgresql(url: URL) -> Engine:
    try:
        engine = create_engine(url, connect_args={"connect_timeout": round(LOCK_TIMEOUT_S)})
    except ModuleNotFoundError as error:
        raise RecordsError("the driver for PostgreSQL is not installed", where="setting `database`",
                           found=f"no module {error.name}", remedy="install stripread[postgresql]") from error
    event.listen(engine, "begin", _begin_postgresql)
    return engine


def _set_up(connection: SQLite, _record: Any) -> None:
    """Configure a connection. The timeout comes first: the change to a write-ahead log may have to wait too.

    Triggers also run for replaced rows; deleted names are overwritten; a malicious file cannot run functions, and its
    pages are checked (https://www.sqlite.org/security.html).
    """
    try:
        _set_pragmas(connection)
    except UnicodeDecodeError as error:  # SQLite's own message, quoting what it cannot read
        raise DatabaseError("malformed database schema") from error


def _set_up_reading(connection: SQLite, _record: Any) -> None:
    for pragma in ("trusted_schema=OFF", "cell_size_check=ON", "query_only=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _set_pragmas(connection: SQLite) -> None:
    for pragma in (f"busy_timeout={LOCK_TIMEOUT_S * 1000:.0f}", "trusted_schema=OFF", "cell_size_check=ON",
                   "journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "recursive_triggers=ON",
                   "secure_delete=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    """Begin a transaction. A writer locks at once: one that reads first and locks later would fail, not wait."""
    writes = connection.get_execution_options().get("writes")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _begin_postgresql(connection: Connection) -> None:
    if connection.get_execution_options().get("writes"):
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {LOCK_TIMEOUT_S * 1000:.0f}")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITERS_LOCK})")
