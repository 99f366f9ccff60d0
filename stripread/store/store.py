"""The store: every change of a record and its entry of the audit trail are one transaction."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from sqlalchemy import ColumnElement, Connection, Engine, Table, func, select

from stripread.store import audit_trail
from stripread.store.database import open_engine, reader, shown, writer
from stripread.store.errors import DISK_FULL, RecordsError, translate_errors
from stripread.store.migrate import bring_up_to_date, check_revision
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import Record
from stripread.store.photos import Folder, PhotoStore, open_photographs
from stripread.store.schema import AUDIT_TRAIL, BODIES, RECORD_TYPES, R, decode, plain
from stripread.store.settings import ReviewPolicy, Settings
from stripread.store.transaction import Transaction

Clock = Callable[[], datetime]
#: Free disk space below which a store counts as full: some photographs of phones with their readings.
RESERVE_BYTES: Final = 16_000_000


def utc_now() -> datetime:
    """Return the present time in UTC."""
    return datetime.now(UTC)


class Store:
    """The records of one database, and their photographs.

    ``review``: the review policy for all lists, trends and reports.
    """

    def __init__(self, engine: Engine, photographs: PhotoStore, clock: Clock = utc_now,
                 review: ReviewPolicy = ReviewPolicy()) -> None:  # noqa: B008 - immutable
        self.engine = engine
        self.photographs = photographs
        self.clock = clock
        self.review = review

    @property
    def where(self) -> str:
        """The database URL without its password, for messages."""
        return shown(self.engine)

    def close(self) -> None:
        """Close the database connections; further use of the store opens new ones."""
        self.engine.dispose()

    @contextmanager
    def viewing(self) -> Iterator[Connection]:
        """Return a connection to read one snapshot of the database (tables: `schema`)."""
        with translate_errors(self.where), reader(self.engine).begin() as connection:
            yield connection

    @contextmanager
    def writing(self, by: str) -> Iterator[Transaction]:
        """Return an atomic transaction of the account ``by``, committed at the end of the block."""
        with translate_errors(self.where), writer(self.engine).begin() as connection:
            transaction = Transaction(connection, by, self.clock())
            yield transaction
            transaction.finish()

    @contextmanager
    def trial(self) -> Iterator[Store]:
        """Return this store within one transaction that is rolled back: changes of records are seen in it, not stored.

        Other writers wait until the end of the block.
        """
        with translate_errors(self.where), writer(self.engine).connect() as connection, connection.begin() as changes:
            yield _Trial(self, connection)
            changes.rollback()

    def get(self, type_: type[R], id_: str) -> R:
        """Return the current record with this id. Raises RecordsError if there is none."""
        record = next(iter(self.find(type_, id=id_)), None)
        if record is None:
            raise RecordsError(f"no such {RECORD_TYPES[type_].singular}", where=self.where, found=id_)
        return record

    def find(self, type_: type[R], **equal: object) -> list[R]:
        """Return the current records whose columns have these values, or one of a frozenset, in order of their ids."""
        table = RECORD_TYPES[type_].table
        query = select(BODIES.c.body).join(table, table.c.sha256 == BODIES.c.sha256).where(*_conditions(table, equal))
        with self.viewing() as connection:
            return [decode(type_, body) for body in connection.scalars(query.order_by(table.c.id)).all()]

    def ids(self, type_: type[Record], **equal: object) -> list[str]:
        """Return the ids of the records that `find` would return, without decoding them."""
        table = RECORD_TYPES[type_].table
        query = select(table.c.id).where(*_conditions(table, equal)).order_by(table.c.id)
        with self.viewing() as connection:
            return list(connection.scalars(query))

    def check_writable(self) -> None:
        """Raise RecordsError where the database does not answer, or a folder of the store cannot be written.

        Nothing is written: a folder counts as writable with the permission and some free disk space.
        """
        with self.viewing() as connection:
            connection.execute(select(1))
        folders = [Path(self.engine.url.database or "").absolute().parent] if self.engine.name == "sqlite" else []
        for folder in (*folders, *([self.photographs.root] if isinstance(self.photographs, Folder) else [])):
            _check_folder(folder)

    def head(self) -> audit_trail.Checkpoint:
        """Return the checkpoint of the audit trail, to be stored elsewhere."""
        with self.viewing() as connection:
            return audit_trail.checkpoint(connection)


def _probe(folder: Path) -> None:
    """Raise OSError for a folder that cannot be written, or whose disk is full."""
    # Photographs may not have arrived yet.
    there = next(f for f in (folder, *folder.absolute().parents) if f.exists())
    if shutil.disk_usage(there).free < RESERVE_BYTES:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    if not os.access(there, os.W_OK):
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))


def _check_folder(folder: Path) -> None:
    try:
        _probe(folder)
    except OSError as error:
        full = error.errno == errno.ENOSPC
        allowed = f"at least {RESERVE_BYTES // 10**6} MB free" if full else "a folder that can be written"
        raise RecordsError(DISK_FULL if full else "the store cannot be written", where=str(folder),
                           found=error.strerror or str(error), allowed=allowed,
                           remedy="free disk space" if full else "check the folder and its permissions") from error


class _Trial(Store):
    """A store all of whose transactions are parts of one."""

    def __init__(self, store: Store, connection: Connection) -> None:
        super().__init__(store.engine, store.photographs, store.clock, store.review)
        self._connection = connection

    @contextmanager
    def viewing(self) -> Iterator[Connection]:
        yield self._connection

    @contextmanager
    def writing(self, by: str) -> Iterator[Transaction]:
        transaction = Transaction(self._connection, by, self.clock())
        yield transaction
        transaction.finish()


def _conditions(table: Table, equal: Mapping[str, object]) -> list[ColumnElement[bool]]:
    return [table.c[name].in_([plain(v) for v in value]) if isinstance(value, frozenset)
            else table.c[name] == plain(value) for name, value in equal.items()]


def open_to_verify(settings: Settings) -> Store:
    """Open the store of ``settings`` read-only: nothing is created, upgraded or written.

    Raises RecordsError if its schema has another version, NoRecordsError if there is no store.
    """
    engine = open_engine(settings.database, new=False, read_only=True)
    with ExitStack() as otherwise:
        otherwise.callback(engine.dispose)
        with translate_errors(shown(engine)):
            check_revision(engine)
        otherwise.pop_all()
    return Store(engine, open_photographs(settings.photographs))


def open_store(settings: Settings, clock: Clock = utc_now, *, new: bool = True) -> Store:
    """Open the store of ``settings``, and upgrade its schema if necessary; ``new``: create a missing store.

    Raises RecordsError if it cannot be opened or is of a later version, NoRecordsError if it is missing unless ``new``.
    """
    engine = open_engine(settings.database, new=new)
    with ExitStack() as otherwise:
        otherwise.callback(engine.dispose)
        with translate_errors(shown(engine)):
            bring_up_to_date(engine, new=new)
        store = Store(engine, open_photographs(settings.photographs), clock, settings.review)
        otherwise.pop_all()
    return store


@dataclass(frozen=True, slots=True)
class StoreContents:
    """Numbers of records; ``purged``: photographs whose file was purged; ``entries``: of the audit trail."""

    readings: int
    photographs: int
    purged: int
    entries: int


def count_contents(store: Store) -> StoreContents:
    """Return the numbers of one snapshot, by one statement."""
    photographs, readings = (RECORD_TYPES[kind].table for kind in (Photograph, StoredReading))
    with store.viewing() as connection:
        row = connection.execute(select(*(query.scalar_subquery() for query in (
            select(func.count()).select_from(readings),
            select(func.count()).select_from(photographs),
            select(func.count()).select_from(photographs).where(photographs.c.removed.is_not(None)),
            select(func.coalesce(func.max(AUDIT_TRAIL.c.seq), 0)))))).one()
    return StoreContents(*map(int, row))
