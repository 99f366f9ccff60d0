"""``stripread records log``: who did what, in the order in which it was done."""

from __future__ import annotations

from typing import Final

import click
import msgspec

from stripread.cli.main import echo, echo_error
from stripread.cli.records.store import open_store_from_settings
from stripread.store.audit_trail import AuditEntry, chain_links
from stripread.store.lookup import short_id

#: Entries that are shown if nothing else is said.
_PAGE: Final = 50


@click.command()
@click.option("--last", type=click.IntRange(min=1), metavar="N", help=f"The last N entries; else {_PAGE}, or all with "
              "--json.")
@click.option("--record", metavar="ID", help="Only what was done to records whose id begins so.")
@click.option("--json", "as_json", is_flag=True,
              help="A JSON object a line: an entry's text and its hash, the SHA-256 of the hash before it (as 32 "
                   "bytes; zeros before the first) and the text (as UTF-8). So anybody can follow it to the head.")
def log(*, last: int | None, record: str | None, as_json: bool) -> None:
    """Every act on the records, the latest at the end: when (UTC), by which account, what, to what, and why."""
    store, found = open_store_from_settings(), 0
    with store.viewing() as connection:
        for link in chain_links(connection, last=last or (None if as_json else _PAGE), record=record):
            echo(msgspec.json.encode(link) if as_json else _line(link.entry()))
            found += 1
    if not found:
        echo_error("the log says nothing" if record is None else f"the log says nothing of a record {record}")


def _line(entry: AuditEntry) -> str:
    about = f"{entry.kind} {short_id(entry.record)}" if entry.record else ""
    why = f"({entry.why})" if entry.why else ""
    when = entry.when[:19].replace("T", " ")
    return "  ".join(filter(None, (f"{entry.seq:6}", when, entry.who, entry.what, about, why)))
