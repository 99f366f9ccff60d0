"""``stripread records move``: a photograph added to the wrong sampling point, tube or account."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.records.store import store_and_account
from stripread.intake.sampling_context import resolve_point
from stripread.review.move import Destination
from stripread.review.move import move as move_photograph
from stripread.store.current import superseding
from stripread.store.errors import RecordsError
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.materials import Tube
from stripread.store.models.sites import Site
from stripread.store.store import Store


@click.command()
@click.argument("reading")
@click.option("--site", help="Site it belongs to: its id, the beginning of it, or its name.")
@click.option("--point", help="Sampling point it belongs to: its id; with --site its name or place.")
@click.option("--tube", help="Tube its strip came from: its id or the beginning of it.")
@click.option("--account", help="Account whose photograph it is: its id or the beginning of it.")
@click.option("--why", required=True, help="Reason, for the audit trail.")
@click.option("--json", "as_json", is_flag=True, help="The reading at the new place as JSON.")
def move(reading: str, *, site: str | None, point: str | None, tube: str | None, account: str | None, why: str,
         as_json: bool) -> None:
    """Move the photograph of READING, an id of a reading or photograph, to where it belongs.

    A new reading supersedes the one at the wrong place and waits for review. At another point its values are assessed
    for the machine there; on another tube the photograph is evaluated again on that tube's chart. Example:

      stripread records move 3f2a91 --site "Limestone Hill" --point tap --why "label of the next cafe scanned"
    """
    store, by = store_and_account()
    to = Destination(point=resolve_point(store, site and resolve_id(store, Site, site), point),
                     tube=tube and resolve_id(store, Tube, tube),
                     account=account and resolve_id(store, Account, account), why=why)
    photograph = _photograph(store, reading)
    new = move_photograph(store, by, photograph, to)
    if new is not None and as_json:
        echo(msgspec.json.encode(new))
    elif not as_json:
        echo(f"photograph {short_id(photograph)} moved" + (f"; its reading is now {short_id(new.id)}" if new else ""))


def _photograph(store: Store, typed: str) -> str:
    """Return the id of the photograph meant. Raises RecordsError for a superseded reading."""
    if store.ids(Photograph, id=typed):
        return typed
    reading = store.get(StoredReading, resolve_id(store, StoredReading, typed))
    with store.viewing() as connection:
        later = superseding(connection, reading.id)
    if later is not None:
        raise RecordsError("the reading was superseded", where=f"reading {reading.id}", found=f"by {later}",
                           remedy="move that one")
    return reading.photograph
