"""Atomic import of records, with a report of the changes; a preview or dry run reports them without writing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field

import msgspec

from shared.errors import InputError
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Unit
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store
from stripread.store.transaction import Transaction

#: Record types that an import never overwrites: it must not change roles or bring back purged photographs.
_NEVER_OVERWRITTEN = (Account, Photograph)


class ImportResult(msgspec.Struct, frozen=True, kw_only=True):
    """Numbers of new, changed and unchanged records, by record type."""

    new: dict[str, int]
    changed: dict[str, int]
    same: dict[str, int]


@dataclass(frozen=True, slots=True)
class ParsedRecord:
    """A record with its file and line; ``absent``: fields that the file does not contain."""

    record: Record
    where: str
    absent: tuple[str, ...] = ()

    def with_stored(self, stored: Record) -> Record:
        """Return the record, with the absent fields taken from the stored record."""
        return msgspec.structs.replace(self.record, **{name: getattr(stored, name) for name in self.absent})


@dataclass(slots=True)
class _Counts:
    new: Counter[str] = field(default_factory=Counter)
    changed: Counter[str] = field(default_factory=Counter)
    same: Counter[str] = field(default_factory=Counter)


class _DryRunError(Exception):
    """Rolls back the transaction of a dry run."""


def import_all(
    store: Store, records: Iterable[ParsedRecord], *, by: str, why: str, dry_run: bool = False
) -> ImportResult:
    """Import records in the order given, all or none, on behalf of account ``by``; return the counts.

    ``dry_run``: report the counts and write nothing. Raises RecordsError that names file and line of an invalid record.
    """
    counts = _Counts()
    with suppress(_DryRunError), store.writing(by) as transaction:
        for parsed in records:
            _count(counts, RECORD_TYPES[type(parsed.record)].name, _import_one(transaction, parsed, why))
        if dry_run:
            raise _DryRunError
    return ImportResult(new=dict(counts.new), changed=dict(counts.changed), same=dict(counts.same))


def _import_one(transaction: Transaction, parsed: ParsedRecord, why: str) -> tuple[bool, bool]:
    """Return whether the record existed, and whether it changed."""
    try:
        stored = transaction.current(type(parsed.record), parsed.record.id)
        changed = not (stored and isinstance(parsed.record, _NEVER_OVERWRITTEN)) and transaction.put(
            parsed.record if stored is None else parsed.with_stored(stored), "imported", why)
        _check_site(transaction, parsed.record)
    except InputError as error:
        raise RecordsError(f"{error.where}: {error.what}", where=parsed.where, found=error.found, allowed=error.allowed,
                           remedy=error.remedy) from error
    return stored is not None, changed


def _check_site(transaction: Transaction, record: Record) -> None:
    """Raise RecordsError for a sampling point or unit at another site than the unit or machine that it names."""
    if not isinstance(record, SamplingPoint | Unit):
        return
    named: dict[type[Unit | Machine], str | None] = {Machine: record.machine}
    if isinstance(record, SamplingPoint):
        named[Unit] = record.unit
    for type_, id_ in named.items():
        other = None if id_ is None else transaction.current(type_, id_)
        if other is not None and other.site != record.site:
            raise RecordsError("is at another site", where=f"{RECORD_TYPES[type_].singular} {id_}", found=other.site,
                               allowed=record.site, remedy="name a record at the same site, or correct the site")


def _count(counts: _Counts, kind: str, outcome: tuple[bool, bool]) -> None:
    stored, changed = outcome
    (counts.same if not changed else counts.changed if stored else counts.new)[kind] += 1


_NOTHING = "none"


class FieldChange(msgspec.Struct, frozen=True, kw_only=True):
    """A field's value before and after, as text; ``name`` as users write it."""

    name: str
    was: str
    now: str


class RecordChange(msgspec.Struct, frozen=True, kw_only=True):
    """A record that an import adds (``new``) or changes."""

    kind: str
    id: str
    new: bool
    fields: tuple[FieldChange, ...] = ()


def import_changes(store: Store, records: Iterable[ParsedRecord]) -> Iterator[RecordChange]:
    """Yield the records that differ from the stored ones, in the order of the table."""
    for parsed in records:
        kind = RECORD_TYPES[type(parsed.record)].singular
        stored = next(iter(store.find(type(parsed.record), id=parsed.record.id)), None)
        if stored is None:
            yield RecordChange(kind=kind, id=parsed.record.id, new=True)
        elif changed := tuple(_fields(stored, parsed.with_stored(stored))):
            yield RecordChange(kind=kind, id=parsed.record.id, new=False, fields=changed)


def _fields(was: Record, now: Record) -> Iterator[FieldChange]:
    for name in was.__struct_fields__:
        before, after = getattr(was, name), getattr(now, name)
        if before != after:
            yield FieldChange(name=name.replace("_", " "), was=_text(before), now=_text(after))


def _text(value: object) -> str:
    if value in (None, ""):
        return _NOTHING
    return msgspec.json.encode(value).decode() if isinstance(value, msgspec.Struct) else str(value)
