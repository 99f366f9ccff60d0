"""Records that come from outside: kept all together or not at all, and what that changes told, also beforehand."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field

import msgspec

from shared.errors import InputError
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph
from stripread.store.models.record import Record
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store
from stripread.store.transaction import Transaction

#: Kinds of which the store's own record is the better one: who may do what, and which photographs were let go.
_OURS = (Account, Photograph)


class ImportResult(msgspec.Struct, frozen=True, kw_only=True):
    """How many records came, by kind: new ones, changed ones, and those that were here just so."""

    new: dict[str, int]
    changed: dict[str, int]
    same: dict[str, int]


@dataclass(frozen=True, slots=True)
class ParsedRecord:
    """A record and the place in a file where it stands; ``silent``: its fields of which that file says nothing."""

    record: Record
    where: str
    silent: tuple[str, ...] = ()

    def beside(self, here: Record) -> Record:
        """The record, with what is kept where the file says nothing."""
        return msgspec.structs.replace(self.record, **{name: getattr(here, name) for name in self.silent})


@dataclass(slots=True)
class _Counted:
    new: Counter[str] = field(default_factory=Counter)
    changed: Counter[str] = field(default_factory=Counter)
    same: Counter[str] = field(default_factory=Counter)


class _DryRunError(Exception):
    """Ends a transaction so that nothing of it stays."""


def import_all(
    store: Store, found: Iterable[ParsedRecord], *, by: str, why: str, dry_run: bool = False
) -> ImportResult:
    """Keep the records in the order given, as imported by the account ``by``; ``dry_run``: only tell what would be.

    Raises RecordsError, with the place in the file, for one that cannot be kept; then none is.
    """
    counted = _Counted()
    with suppress(_DryRunError), store.writing(by) as work:
        for one in found:
            _count(counted, RECORD_TYPES[type(one.record)].name, _take(work, one, why))
        if dry_run:
            raise _DryRunError
    return ImportResult(new=dict(counted.new), changed=dict(counted.changed), same=dict(counted.same))


def _take(work: Transaction, one: ParsedRecord, why: str) -> tuple[bool, bool]:
    """Whether it was here, and whether anything changed."""
    try:
        here = work.current(type(one.record), one.record.id)
        kept = not (here and isinstance(one.record, _OURS)) and work.put(
            one.record if here is None else one.beside(here), "imported", why)
    except InputError as error:
        raise RecordsError(f"{error.where}: {error.what}", where=one.where, found=error.found, allowed=error.allowed,
                           remedy=error.remedy) from error
    return here is not None, kept


def _count(counted: _Counted, kind: str, outcome: tuple[bool, bool]) -> None:
    here, kept = outcome
    (counted.same if not kept else counted.changed if here else counted.new)[kind] += 1
