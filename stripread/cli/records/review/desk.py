"""The reviewer's desk as the commands use it."""

from __future__ import annotations

from stripread.cli.records.store import the_store
from stripread.review.session import Desk
from stripread.store.current_account import acting
from stripread.store.lookup import full_id
from stripread.store.models.evidence import StoredReading
from stripread.store.settings import load_settings


def the_desk() -> Desk:
    """The desk of the account that acts. Raises RecordsError where none does."""
    store, settings = the_store(), load_settings()
    return Desk(store, acting(store, settings))


def the_reading(desk: Desk, typed: str) -> str:
    """The id of the reading that is meant by an id or its beginning. Raises RecordsError."""
    return full_id(desk.store, StoredReading, typed)
