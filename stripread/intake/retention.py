"""Durable storage of photographs, and their purge after the retention period."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import msgspec

from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph
from stripread.store.photos.interface import digest
from stripread.store.store import Store


def receive(store: Store, photograph: Photograph, data: bytes) -> bool:
    """Store the bytes and the record of a photograph durably; return False if it was stored already.

    The bytes are stored first: a fault in between leaves unacknowledged bytes, never a record without its bytes.
    """
    if digest(data) != photograph.id or len(data) != photograph.size:
        raise RecordsError("the bytes do not match the record", where=photograph.name,
                           found=f"{len(data)} bytes, SHA-256 {digest(data)}")
    _reject_purged(store.find(Photograph, id=photograph.id))
    store.photographs.put(photograph.id, data)
    with store.writing(photograph.account) as transaction:
        return transaction.current(Photograph, photograph.id) is None and transaction.put(photograph, "received")


def delete_photo(store: Store, sha256: str, *, by: str, why: str) -> None:
    """Purge a photograph: delete its bytes permanently. Record, readings and audit trail (who, why) are retained.

    The record is changed first: after a fault in between, a new call completes the purge.
    """
    with store.writing(by) as transaction:
        photograph = transaction.current(Photograph, sha256)
        if photograph is None:
            raise RecordsError("no such photograph", where=store.where, found=sha256)
        if photograph.removed is None:
            transaction.put(msgspec.structs.replace(photograph, removed=transaction.now), "purged", why)
    store.photographs.remove(sha256)


def received_before(store: Store, moment: datetime) -> list[Photograph]:
    """Return the photographs received before a time whose bytes are still stored, in the order of their ids."""
    return [p for p in store.find(Photograph, removed=None) if p.received < moment]


def _reject_purged(known: Sequence[Photograph]) -> None:
    for photograph in known:
        if photograph.removed is not None:
            raise RecordsError("a purged photograph is not accepted again", where=photograph.name,
                               found=f"purged on {photograph.removed:%Y-%m-%d}")
