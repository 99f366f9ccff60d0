"""What can be done within one transaction: put records, note acts, name people; each is a line of the log."""

from __future__ import annotations

from datetime import datetime

import msgspec
from sqlalchemy import Connection, delete, insert, select, update

from shared.decoders import from_json
from stripread.store import audit_trail
from stripread.store.database import LONGEST
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account, PersonName
from stripread.store.models.record import Record, validation_message
from stripread.store.photos.interface import digest
from stripread.store.reading_index import reindex
from stripread.store.schema import BODIES, NAMES, RECORD_TYPES, R, RecordType, decode


class Transaction:
    """A transaction of one account at one moment."""

    def __init__(self, connection: Connection, by: str, now: datetime) -> None:
        self.connection = connection
        self.by = by
        self.now = now
        self._acted = False

    def current(self, type_: type[R], id_: str) -> R | None:
        """The record of an id as it stands within this transaction, or None."""
        sha256 = self._present(RECORD_TYPES[type_], id_)
        body = self.connection.scalar(select(BODIES.c.body).where(BODIES.c.sha256 == sha256))
        return None if body is None else decode(type_, body)

    def all(self, type_: type[R]) -> list[R]:
        """All records of a type as they stand within this transaction."""
        table = RECORD_TYPES[type_].table
        query = select(BODIES.c.body).join(table, table.c.sha256 == BODIES.c.sha256).order_by(table.c.id)
        return [decode(type_, body) for body in self.connection.scalars(query)]

    def empty(self, type_: type[Record]) -> bool:
        """Whether there is no record of this type yet."""
        return self.connection.scalar(select(RECORD_TYPES[type_].table.c.id).limit(1)) is None

    def put(self, record: Record, what: str, why: str = "") -> bool:
        """Keep a record, new or changed; False where it says nothing new. ``what``: the act, as the log shall say.

        Raises RecordsError for one that cannot be kept: a kept kind changed, a reference to nothing.
        """
        kind, body = RECORD_TYPES[type(record)], _body(record)
        sha256, present = digest(body.encode()), self._present(kind, record.id)
        if present == sha256:
            return False
        if present and kind.kept:
            raise RecordsError("is kept as it was and cannot be changed", where=f"{kind.name} {record.id}",
                               remedy="add another record that supersedes it")
        row = kind.row(record)
        self._check_references(kind, row)
        self._keep_body(sha256, body)
        table = kind.table
        change = update(table).where(table.c.id == record.id) if present else insert(table)
        self.connection.execute(change.values(**row, sha256=sha256))
        self._append(what, why, audit_trail.AuditSubject(kind=kind.name, record=record.id, body=sha256))
        reindex(self.connection, record, new=not present)
        return True

    def note(self, what: str, why: str = "") -> None:
        """An act that is about no record, such as an import or an export."""
        self._append(what, why, audit_trail.AuditSubject())

    def name(self, account: Account, name: PersonName | None, what: str) -> None:
        """Put an account with its person's name, or with None: remove the name for good."""
        self.put(msgspec.structs.replace(account, seal=name and name.seal), what)
        self.connection.execute(delete(NAMES).where(NAMES.c.account == account.id))
        if name:
            self.connection.execute(insert(NAMES).values(**msgspec.to_builtins(name)))

    def finish(self) -> None:
        """Checked at the end, so that the first account can make itself; who changed nothing may be anybody."""
        if self._acted and not self._present(RECORD_TYPES[Account], self.by):
            raise RecordsError("no such account", where="the one who acts", found=self.by)

    def _append(self, what: str, why: str, subject: audit_trail.AuditSubject) -> None:
        if not all(_writable(text) for text in (what, why)):
            raise RecordsError("cannot be written down", where="what was done and why", found=ascii(f"{what}: {why}"),
                               allowed="text in Unicode")
        self._acted = True
        audit_trail.append(
            self.connection, audit_trail.AuditedAction(who=self.by, when=self.now, what=what, why=why), subject
        )

    def _present(self, kind: RecordType, id_: str) -> str | None:
        """SHA-256 of the current body of an id, or None."""
        return self.connection.scalar(select(kind.table.c.sha256).where(kind.table.c.id == id_))

    def _check_references(self, kind: RecordType, row: dict[str, object]) -> None:
        for column in kind.table.c:
            for key in column.foreign_keys if column.name != "sha256" else ():
                value = row[column.name]
                if value is not None and not self.connection.scalar(select(key.column).where(key.column == value)):
                    raise RecordsError(f"names what is not in {key.column.table.name}",
                                       where=f"{kind.name} {row['id']}, {column.name}", found=str(value),
                                       remedy="add that first, or correct the name")

    def _keep_body(self, sha256: str, body: str) -> None:
        if not self.connection.scalar(select(BODIES.c.sha256).where(BODIES.c.sha256 == sha256)):
            self.connection.execute(insert(BODIES).values(sha256=sha256, body=body))


def _body(record: Record) -> str:
    """The record as JSON, proven to be readable again."""
    where = f"{RECORD_TYPES[type(record)].name} {record.id!r}"
    try:
        body = msgspec.json.encode(record, order="deterministic").decode()
        from_json(body, type(record))
    except (msgspec.MsgspecError, UnicodeError) as error:
        raise RecordsError("cannot be kept", where=where, found=validation_message(error)) from error
    if len(body.encode()) > LONGEST:
        raise RecordsError("is too long to be kept", where=where, found=f"{len(body.encode())} bytes",
                           allowed=f"up to {LONGEST}")
    return body


def _writable(text: str) -> bool:
    """Whether it is Unicode throughout: text from a terminal may hold bytes that are not."""
    return not any("\ud800" <= c <= "\udfff" for c in text)
