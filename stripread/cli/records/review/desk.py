"""The reviewer's desk as the commands use it."""

from __future__ import annotations

from stripread.cli.records.store import open_store_from_settings
from stripread.review.session import ReviewSession
from stripread.store.current_account import current_account
from stripread.store.lookup import resolve_id
from stripread.store.models.evidence import StoredReading
from stripread.store.settings import load_settings


def open_review() -> ReviewSession:
    """The desk of the account that acts. Raises RecordsError where none does."""
    store, settings = open_store_from_settings(), load_settings()
    return ReviewSession(store, current_account(store, settings))


def resolve_reading(desk: ReviewSession, typed: str) -> str:
    """The id of the reading that is meant by an id or its beginning. Raises RecordsError."""
    return resolve_id(desk.store, StoredReading, typed)
