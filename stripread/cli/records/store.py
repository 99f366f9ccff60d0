"""The store that the settings name, for the commands."""

from __future__ import annotations

import click

from stripread.records.acting import acting
from stripread.records.settings import load_settings
from stripread.records.store import Store, open_store


def the_store() -> Store:
    """The store, opened until the command ends. Raises RecordsError where it cannot be."""
    store = open_store(load_settings())
    click.get_current_context().call_on_close(store.close)
    return store


def store_and_account() -> tuple[Store, str]:
    """The store, and the id of the account that acts. Raises RecordsError where that is not clear."""
    store = the_store()
    return store, acting(store, load_settings())
