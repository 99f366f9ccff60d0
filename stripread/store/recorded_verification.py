"""Verification of a store in use, with a record of its outcome, so that its age is known."""

from __future__ import annotations

from sqlalchemy import select

from stripread.store.backup.archive import Progress, without_progress
from stripread.store.integrity import IntegrityReport, verify_store
from stripread.store.models.quality import Verification
from stripread.store.models.record import new_id
from stripread.store.schema import BODIES, RECORD_TYPES, decode
from stripread.store.store import Store


def verify_and_record(store: Store, by: str, progress: Progress[str] = without_progress) -> IntegrityReport:
    """Verify the store and record the outcome under the account ``by``; the report is that of `verify_store`."""
    found = verify_store(store, progress=progress)
    with store.writing(by) as transaction:
        transaction.put(Verification(
            id=new_id(), at=transaction.now, account=by, records=found.records, photographs=found.photographs,
            entries=found.head.entries, wrong=found.wrong, notes=found.notes), "verified")
    return found


def last_verification(store: Store) -> Verification | None:
    """Return the latest recorded verification, or None."""
    table = RECORD_TYPES[Verification].table
    query = select(BODIES.c.body).join(table, table.c.sha256 == BODIES.c.sha256).order_by(table.c.at.desc()).limit(1)
    with store.viewing() as connection:
        body = connection.scalar(query)
    return None if body is None else decode(Verification, body)
