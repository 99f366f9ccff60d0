"""``stripread records overview``: how all sites stand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from shared.text import many
from stripread.cli.main import echo
from stripread.cli.records.scope import scoped

if TYPE_CHECKING:
    from stripread.monitoring.sites import Scope
    from stripread.monitoring.status import SiteStatus, StatusOverview
    from stripread.store.store import Store


@click.command()
@scoped
@click.option("--intervals", type=click.Path(path_type=Path), envvar="STRIPREAD_INTERVALS", metavar="FILE.toml",
              help="Your own intervals, in place of those that come with the program.")
@click.option("--json", "as_json", is_flag=True, help="All of it as JSON.")
def overview(*, store: Store, scope: Scope, intervals: Path | None, as_json: bool) -> None:
    """A line a site, the worst first: verdict, last reading, what is overdue, what comes next.

    The verdict is that on the latest judged reading of the sampling point nearest to the machine.
    """
    from stripread.monitoring.schedule.intervals import load_intervals
    from stripread.monitoring.status import overview as seen

    found = seen(store, load_intervals(intervals), scope=scope)
    echo(msgspec.json.encode(found) if as_json else "\n".join(_lines(found)))


def _lines(found: StatusOverview) -> Iterator[str]:
    if not found.sites:
        yield "no site is looked after"
        return
    counts = ", ".join(f"{n} {words}" for words, n in found.counts().items() if n)
    yield f"{many(len(found.sites), 'site')} on {found.today}: {counts}; {found.overdue} with something overdue"
    width = max(len(line.name) for line in found.sites)
    yield from (_line(line, width) for line in found.sites)


def _line(line: SiteStatus, width: int) -> str:
    read = "never read" if line.last is None else f"read {line.last}"
    judged = f"{line.point} on {line.judged}" if line.judged else ""
    late = f"{line.overdue} overdue" if line.overdue else ""
    comes = f"next {line.next.on}: {line.next.what}" if line.next else ""
    told = "; ".join(filter(None, (judged, read, late, comes)))
    return f"  {line.verdict or 'never judged':12}  {line.name:{width}}  {told}"
