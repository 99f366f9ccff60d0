"""``stripread records due``: what is due, by week."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from shared.files import write_whole
from stripread.cli.main import echo
from stripread.cli.records.scope import scoped

if TYPE_CHECKING:
    from stripread.monitoring.schedule.due import DueList
    from stripread.monitoring.schedule.intervals import DueItem
    from stripread.monitoring.schedule.shopping import ShoppingLine, ShoppingList
    from stripread.monitoring.sites import Scope
    from stripread.store.store import Store


@click.command()
@scoped
@click.option("--weeks", type=click.IntRange(0, 260), default=4, show_default=True, help="Look so far ahead.")
@click.option("--intervals", type=click.Path(path_type=Path), envvar="STRIPREAD_INTERVALS", metavar="FILE.toml",
              help="Your own intervals, in place of those that come with the program.")
@click.option("--ics", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.ics",
              help="Write it as a calendar file (iCalendar); a later one moves what is in the calendar already.")
@click.option("--shopping", is_flag=True, help="Treatment units to buy for it, and what units cost in a year.")
@click.option("--json", "as_json", is_flag=True, help="All of it as JSON.")
def due(*, store: Store, scope: Scope, weeks: int, intervals: Path | None, ics: Path | None, shopping: bool,
        as_json: bool) -> None:
    """What is overdue and what comes in the next weeks: tests, treatment units, strips, check standards, phones, cards.

    A treatment unit is due by what is read behind it, by litres or by the calendar, whichever is first. With --site
    or --group only what belongs to these sites; strips, phones and cards belong to none.
    """
    from stripread.monitoring.schedule.due import due_list
    from stripread.monitoring.schedule.intervals import load_intervals

    found = due_list(store, load_intervals(intervals), scope=scope, weeks=weeks)
    if ics is not None:
        from stripread.monitoring.schedule.ical import calendar

        write_whole(ics, calendar(found.items, store.clock()))
    if as_json:
        echo(msgspec.json.encode(found))
    else:
        echo("\n".join((*_lines(found), *(_to_buy(found.shopping) if shopping else ()))))


def _lines(found: DueList) -> Iterator[str]:
    if not found.items:
        yield f"nothing is due until {found.until}"
    if found.overdue:
        yield f"overdue on {found.today}:"
        yield from (_line(item) for item in found.overdue)
    for monday, items in found.weeks():
        yield f"week of {monday}:"
        yield from (_line(item) for item in items)


def _line(item: DueItem) -> str:
    return f"  {item.on}  {item.sentence} ({item.why})"


def _to_buy(shopping: ShoppingList) -> Iterator[str]:
    yield "to buy:"
    lines = [line for line in shopping.lines if line.to_buy]
    yield from (_bought(line) for line in lines)
    if not lines:
        yield "  nothing"
    for currency, (now, year) in shopping.totals().items():
        yield f"  {now:.2f} {currency}".rstrip() + f"; all units {year:.2f} {currency}".rstrip() + " a year"
    if shopping.unknown:
        yield f"  not in the yearly cost, price or life unknown: {', '.join(shopping.unknown)}"


def _bought(line: ShoppingLine) -> str:
    price = "price unknown" if line.cost is None else f"{line.cost:.2f} {line.currency}".rstrip()
    return f"  {line.to_buy} x {line.name}: {price}"
