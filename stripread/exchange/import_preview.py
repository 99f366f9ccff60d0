"""What an import would change, record by record, before it is written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import msgspec

from stripread.exchange.import_records import ParsedRecord
from stripread.store.models.record import Record
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store

_NOTHING = "none"


class FieldChange(msgspec.Struct, frozen=True, kw_only=True):
    """A field's value before and after, as text."""

    name: str
    was: str
    now: str


class RecordChange(msgspec.Struct, frozen=True, kw_only=True):
    """A record that an import adds (``new``) or changes."""

    kind: str
    id: str
    new: bool
    fields: tuple[FieldChange, ...] = ()


def import_changes(store: Store, found: Iterable[ParsedRecord]) -> Iterator[RecordChange]:
    """Yield the records that differ from the stored ones, in the order of the table."""
    for parsed in found:
        kind = RECORD_TYPES[type(parsed.record)].name
        stored = next(iter(store.find(type(parsed.record), id=parsed.record.id)), None)
        if stored is None:
            yield RecordChange(kind=kind, id=parsed.record.id, new=True)
        elif changed := tuple(_fields(stored, parsed.with_stored(stored))):
            yield RecordChange(kind=kind, id=parsed.record.id, new=False, fields=changed)


def _fields(was: Record, now: Record) -> Iterator[FieldChange]:
    for name in was.__struct_fields__:
        before, after = getattr(was, name), getattr(now, name)
        if before != after:
            yield FieldChange(name=name, was=_text(before), now=_text(after))


def _text(value: object) -> str:
    if value in (None, ""):
        return _NOTHING
    return msgspec.json.encode(value).decode() if isinstance(value, msgspec.Struct) else str(value)
