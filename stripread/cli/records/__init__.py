"""``stripread records``: what is kept, and the work with it; a file a command."""

from __future__ import annotations

import click

from stripread.cli.lazy import LazyGroup

#: Subcommand, its line in the overview.
COMMANDS = {
    "keep": "Charts with their releases, and measured profiles, into the records.",
    "batch": "How long a batch of strips keeps, and its tubes.",
    "add": "Photographs into the records: received, read, judged.",
    "check": "Photographs of check standards into the records, with what was known of them.",
    "service": "Work on treatment units: fitted, cartridge changed, and the rest.",
    "list": "Readings by site, point, batch, day, verdict, flag and review.",
    "show": "One reading, and all that it rests on.",
    "export": "Readings as a table, or whole records for another store.",
    "import": "Whole records, sites and equipment in bulk, laboratory results.",
    "report": "What is kept, written for somebody else: page or PDF.",
    "review": "What waits for a reviewer, and what he decides.",
    "move": "Move a photograph to the sampling point, tube or account it belongs to.",
    "reread": "Kept readings made again: as they were, or on another chart.",
    "backup": "A copy of everything, made while it is in use.",
    "restore": "A backup into a new store.",
    "log": "Every act, in order: who, when, what, why.",
    "head": "The log's head, to be kept elsewhere.",
    "overview": "How all sites stand, the worst first, and what is overdue.",
    "trend": "The water of a sampling point over time: steps, drift, when a filter will be spent.",
    "paired": "Strips against the laboratory: bias, agreement, whether the intervals hold.",
    "due": "What is due, by week: tests, filters, strips, check standards, phones, cards.",
    "people": "Accounts, their roles, and the people behind them.",
    "let-go": "Delete photographs whose time is over; what was read from them stays.",
    "verify": "Check database, log and photographs against each other.",
}


@click.group(cls=LazyGroup, package="stripread.cli.records", lines=COMMANDS)
def records() -> None:
    """Readings that are kept, with their photographs, charts, sites and a log of every act.

    Where: STRIPREAD_DATABASE (a URL) and STRIPREAD_PHOTOGRAPHS (a folder or bucket), or a TOML file with the keys
    database and photographs, named by STRIPREAD_SETTINGS; if neither, a folder of your own. Who acts:
    STRIPREAD_ACCOUNT (an account's id), or the key account; where there is only one account, that one.
    """
