"""The store that the settings name, for the commands."""

from __future__ import annotations

import click

from stripread.records.acting import acting
from stripread.records.settings import load_settings
from stripread.records.store import Store, open_store


def the_store(*, new: bool = False) -> Store:
    """The store, opened until the command ends; ``new``: one that is not there is made.

    Raises RecordsError where it cannot be opened: whoever mistyped where it lies shall not look into an empty one.
    """
    store = open_store(load_settings(), new=new)
    click.get_current_context().call_on_close(store.close)
    return store


def store_and_account(*, new: bool = False) -> tuple[Store, str]:
    """As `the_store`, and the id of the account that acts. Raises RecordsError where that is not clear."""
    store = the_store(new=new)
    return store, acting(store, load_settings())
