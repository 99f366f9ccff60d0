"""The correct place of a photograph, as `stripread readings move` states it."""

from __future__ import annotations

from collections.abc import Mapping

from stripread.intake.sampling_context import resolve_point
from stripread.review.move import Destination
from stripread.store.errors import RecordsError
from stripread.store.lookup import resolve_id
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.materials import Tube
from stripread.store.models.sites import Site
from stripread.store.reading_status import superseding
from stripread.store.store import Store


def destination(store: Store, why: str, stated: Mapping[str, str | None]) -> Destination:
    """Return the site, sampling point, tube and account stated. Raises RecordsError for unknown ones."""
    site, tube, account = stated["site"], stated["tube"], stated["account"]
    return Destination(point=resolve_point(store, site and resolve_id(store, Site, site), stated["point"]),
                       tube=tube and resolve_id(store, Tube, tube),
                       account=account and resolve_id(store, Account, account), why=why)


def photograph_of(store: Store, typed: str) -> str:
    """Return the ID of a photograph, or of that of a reading. Raises RecordsError for a superseded reading."""
    if store.ids(Photograph, id=typed):
        return typed
    reading = store.get(StoredReading, resolve_id(store, StoredReading, typed))
    with store.viewing() as connection:
        later = superseding(connection, reading.id)
    if later is not None:
        raise RecordsError("the reading was superseded", where=f"reading {reading.id}", found=f"by {later}",
                           remedy="move that one")
    return reading.photograph
