"""Photographs taken into custody, and let go when their time is over."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import msgspec

from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph
from stripread.store.photos.interface import digest
from stripread.store.store import Store


def receive(store: Store, photograph: Photograph, data: bytes) -> bool:
    """Keep a photograph; once this returns its bytes and its record are safe. False: it was there already.

    The bytes go first: a fault in between leaves bytes of which nobody was told, never a record without them.
    """
    if digest(data) != photograph.id or len(data) != photograph.size:
        raise RecordsError("the bytes are not those the record speaks of", where=photograph.name,
                           found=f"{len(data)} bytes, SHA-256 {digest(data)}")
    _refuse_removed(store.find(Photograph, id=photograph.id))
    store.photographs.put(photograph.id, data)
    with store.writing(photograph.account) as work:
        return work.current(Photograph, photograph.id) is None and work.put(photograph, "received")


def delete_photo(store: Store, sha256: str, *, by: str, why: str) -> None:
    """Delete a photograph's bytes for good; its record and readings stay, and the log says who let it go and why.

    The record goes first: after a fault in between, doing it again finishes it.
    """
    with store.writing(by) as work:
        photograph = work.current(Photograph, sha256)
        if photograph is None:
            raise RecordsError("no such photograph", where=store.where, found=sha256)
        if photograph.removed is None:
            work.put(msgspec.structs.replace(photograph, removed=work.now), "let go", why)
    store.photographs.remove(sha256)


def received_before(store: Store, moment: datetime) -> list[Photograph]:
    """The photographs received before then whose bytes are still kept, in the order of their ids."""
    return [p for p in store.find(Photograph, removed=None) if p.received < moment]


def _refuse_removed(known: Sequence[Photograph]) -> None:
    for photograph in known:
        if photograph.removed is not None:
            raise RecordsError("the photograph was here and was let go; it is not taken again", where=photograph.name,
                               found=f"let go on {photograph.removed:%Y-%m-%d}")
