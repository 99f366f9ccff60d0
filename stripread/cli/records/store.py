"""The store that the settings name, for the commands."""

from __future__ import annotations

from stripread.records.settings import load_settings
from stripread.records.store import Store, open_store


def the_store() -> Store:
    """The store, opened. Raises RecordsError where it cannot be."""
    return open_store(load_settings())
