"""``stripread records review``: the queue, and what a reviewer decides; a file a command."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.lazy import LazyGroup
from stripread.cli.main import echo

#: Subcommand, its line in the overview.
COMMANDS = {
    "accept": "A reading is sound.",
    "reject": "A reading shall not count, and why.",
    "correct": "A person's value beside the one that was read.",
    "place": "Card or pads placed by hand, and read again.",
    "summary": "What was decided, what was at fault, how well reviewers agree.",
}


@click.group(cls=LazyGroup, package="stripread.cli.records.review", lines=COMMANDS, invoke_without_command=True)
@click.option("--site", help="Only readings of this site: its id, the beginning of it, or its name.")
@click.option("--group", help="Only readings of this group's sites, named like a site.")
@click.option("--first", type=click.IntRange(min=1), metavar="N", help="Only the first N of the queue.")
@click.option("--json", "as_json", is_flag=True, help="A JSON object a line.")
@click.pass_context
def review(context: click.Context, *, site: str | None, group: str | None, first: int | None, as_json: bool) -> None:
    """Readings that wait for review, those that most need eyes first, each with why; or decide on one.

    The section [review] of the settings file sets the policy: own (reviewers may review their own readings),
    two_reviewers (a decision needs two of them), share and seed (random selection), days (age limit of the queue).
    """
    if context.invoked_subcommand is not None:
        return
    from stripread.cli.main import echo_error
    from stripread.cli.records.store import open_store_from_settings
    from stripread.review.queue import queue
    from stripread.store.lookup import resolve_id, short_id
    from stripread.store.models.sites import Site, SiteGroup

    store = open_store_from_settings()
    waiting = queue(store, site=site and resolve_id(store, Site, site),
                    group=group and resolve_id(store, SiteGroup, group))
    for entry in waiting[:first]:
        if as_json:
            echo(msgspec.json.encode(entry))
        else:
            place = ", ".join(filter(None, (entry.site_name, entry.point_name))) or "no sampling point"
            echo("  ".join((short_id(entry.reading), entry.sampled[:10], place, entry.photo)))
            for why in entry.why:
                echo(f"    {why.words}")
    if first is not None and len(waiting) > first:
        echo_error(f"{len(waiting) - first} more wait: --first N shows more")
    if not waiting and not as_json:
        echo(f"nothing waits for review: samples are looked over for {store.review.days} days")
