"""Actions within one transaction: put records, note actions, set names; each is an entry of the audit trail."""

from __future__ import annotations

from datetime import datetime

import msgspec
from sqlalchemy import Connection, delete, insert, select, update

from shared.decoders import from_json
from stripread.store import audit_trail
from stripread.store.database import LONGEST
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account, PersonName
from stripread.store.models.record import Record, singular, validation_message
from stripread.store.photos import digest
from stripread.store.reading_index import is_affected, reindex
from stripread.store.schema import BODIES, NAMES, RECORD_TYPES, R, RecordType, decode


class Transaction:
    """A transaction of one account at one time."""

    def __init__(self, connection: Connection, by: str, now: datetime) -> None:
        self.connection = connection
        self.by = by
        self.now = now
        self._acted = False

    def current(self, type_: type[R], id_: str) -> R | None:
        """Return the record with this id as this transaction sees it, or None."""
        sha256 = self._current_hash(RECORD_TYPES[type_], id_)
        body = self.connection.scalar(select(BODIES.c.body).where(BODIES.c.sha256 == sha256))
        return None if body is None else decode(type_, body)

    def all(self, type_: type[R]) -> list[R]:
        """Return all records of a type as this transaction sees them."""
        table = RECORD_TYPES[type_].table
        query = select(BODIES.c.body).join(table, table.c.sha256 == BODIES.c.sha256).order_by(table.c.id)
        return [decode(type_, body) for body in self.connection.scalars(query)]

    def empty(self, type_: type[Record]) -> bool:
        """Return whether there is no record of this type."""
        return self.connection.scalar(select(RECORD_TYPES[type_].table.c.id).limit(1)) is None

    def put(self, record: Record, what: str, why: str = "") -> bool:
        """Store a new or changed record; return False if it is unchanged. ``what``: the action for the audit trail.

        Raises RecordsError for a change of an immutable record and for a reference to a missing record.
        """
        kind, body = RECORD_TYPES[type(record)], _body(record)
        sha256, stored_hash = digest(body.encode()), self._current_hash(kind, record.id)
        if stored_hash == sha256:
            return False
        if stored_hash and kind.immutable:
            if self.current(type(record), record.id) == record:  # stored by an earlier version in its own terms
                return False
            raise RecordsError("the record is immutable", where=f"{kind.name} {record.id}",
                               remedy="add another record that supersedes it")
        row = kind.row(record)
        self._check_references(kind, row)
        self._store_body(sha256, body)
        table, affected = kind.table, is_affected(self.connection, record)
        change = update(table).where(table.c.id == record.id) if stored_hash else insert(table)
        self.connection.execute(change.values(**row, sha256=sha256))
        self._append(what, why, audit_trail.AuditSubject(kind=kind.name, record=record.id, body=sha256))
        if affected:
            reindex(self.connection, record, new=not stored_hash)
        return True

    def note(self, what: str, why: str = "") -> None:
        """Add an action that concerns no record, such as an export, to the audit trail."""
        self._append(what, why, audit_trail.AuditSubject())

    def name(self, account: Account, name: PersonName | None, what: str) -> None:
        """Store an account with its person's name; None erases the name."""
        self.put(msgspec.structs.replace(account, seal=name and name.seal), what)
        self.connection.execute(delete(NAMES).where(NAMES.c.account == account.id))
        if name:
            self.connection.execute(insert(NAMES).values(**msgspec.to_builtins(name)))

    def finish(self) -> None:
        """Raise RecordsError if a missing account made changes; checked last, so that the first can create itself."""
        if self._acted and not self._current_hash(RECORD_TYPES[Account], self.by):
            raise RecordsError("no such account", where="acting account", found=self.by)

    def _append(self, what: str, why: str, subject: audit_trail.AuditSubject) -> None:
        if not all(_is_unicode(text) for text in (what, why)):
            raise RecordsError(
                "the text is not valid Unicode",
                where="action and reason",
                found=ascii(f"{what}: {why}"),
                allowed="Unicode text",
            )
        self._acted = True
        audit_trail.append(
            self.connection, audit_trail.AuditedAction(account=self.by, when=self.now, what=what, why=why), subject
        )

    def _current_hash(self, kind: RecordType, id_: str) -> str | None:
        """Return the SHA-256 of the current body of an id, or None."""
        return self.connection.scalar(select(kind.table.c.sha256).where(kind.table.c.id == id_))

    def _check_references(self, kind: RecordType, row: dict[str, object]) -> None:
        for column in kind.table.c:
            for key in column.foreign_keys if column.name != "sha256" else ():
                value = row[column.name]
                if value is not None and not self.connection.scalar(select(key.column).where(key.column == value)):
                    referred = singular(key.column.table.name)
                    raise RecordsError(f"no such {referred}", found=str(value),
                                       where=f"{kind.singular} {row['id']}, {column.name.replace('_', ' ')}",
                                       remedy=f"add this {referred} first, or correct the ID").of_field(column.name)

    def _store_body(self, sha256: str, body: str) -> None:
        if not self.connection.scalar(select(BODIES.c.sha256).where(BODIES.c.sha256 == sha256)):
            self.connection.execute(insert(BODIES).values(sha256=sha256, body=body))


def _body(record: Record) -> str:
    """Return the record as JSON, after a test that it can be decoded."""
    where = f"{RECORD_TYPES[type(record)].name} {record.id!r}"
    try:
        body = msgspec.json.encode(record, order="deterministic").decode()
        from_json(body, type(record))
    except (msgspec.MsgspecError, UnicodeError) as error:
        raise RecordsError("the record is invalid", where=where, found=validation_message(error)) from error
    if len(body.encode()) > LONGEST:
        raise RecordsError("the record is too large", where=where, found=f"{len(body.encode())} bytes",
                           allowed=f"up to {LONGEST} bytes")
    return body


def _is_unicode(text: str) -> bool:
    """Return whether the text is valid Unicode: text from a terminal may contain surrogates."""
    return not any("\ud800" <= c <= "\udfff" for c in text)
