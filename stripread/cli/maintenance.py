"""``stripread maintenance``: what is due, what was done, what was decided, what to buy."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click
import msgspec

from shared.files import write_whole
from stripread.cli.commands import CommandGroup
from stripread.cli.options import DAY, FILE, intervals_option, json_lines_option, json_option, scoped
from stripread.cli.output import echo, echo_json_lines
from stripread.cli.show_changes import change_lines
from stripread.cli.store import open_store_from_settings, store_and_account, time_of_work
from stripread.monitoring.schedule.due import DueList
from stripread.monitoring.schedule.intervals import DueItem
from stripread.monitoring.schedule.shopping import ShoppingLine, ShoppingList
from stripread.store.lookup import resolve_id
from stripread.store.models.record import new_id
from stripread.store.models.sites import DecisionState, Job, Service, TreatmentDecision, Unit

if TYPE_CHECKING:
    from stripread.monitoring.schedule.due import DueList
    from stripread.monitoring.sites import Scope
    from stripread.store.store import Store

_weeks_option = click.option("--weeks", type=click.IntRange(0, 260), default=4, show_default=True, metavar="N",
                             help="Number of weeks to look ahead.")


@click.group(cls=CommandGroup, examples=("stripread maintenance due --weeks 8",))
def maintenance() -> None:
    """Show due maintenance, record work and decisions, list what to buy."""


@maintenance.command(examples=("stripread maintenance due --weeks 8 --ics due.ics",
                               "stripread maintenance due --site limestone-hill"))
@scoped
@_weeks_option
@intervals_option
@click.option("--ics", type=FILE, metavar="FILE.ics",
              help="Calendar file (iCalendar) to write; importing a later one updates the entries.")
@json_option
def due(*, store: Store, scope: Scope, weeks: int, intervals: Path | None, ics: Path | None, as_json: bool) -> None:
    """List, week by week, what must be tested, changed, replaced or qualified.

    A treatment unit is due when its treated water, its litres or its months of service reach their limit, whichever
    comes first. With --site or --group, strips, phones and cards are not listed, because they do not
    belong to a site.
    """
    due_list = _due_list(store, scope, weeks, intervals)
    if ics is not None:
        from stripread.monitoring.schedule.due import calendar

        write_whole(ics, calendar(due_list.items, store.clock()))
    echo(msgspec.json.encode(due_list) if as_json else "\n".join(due_lines(due_list)))


@maintenance.command(examples=("stripread maintenance shopping --group hills --weeks 12",))
@scoped
@_weeks_option
@intervals_option
@json_option
def shopping(*, store: Store, scope: Scope, weeks: int, intervals: Path | None, as_json: bool) -> None:
    """List treatment units to buy for the coming weeks, and the yearly cost.

    Prices come from your catalogue of treatment units (`price`, `currency`).
    """
    shopping_list = _due_list(store, scope, weeks, intervals).shopping
    echo(msgspec.json.encode(shopping_list) if as_json else "\n".join(shopping_lines(shopping_list)))


def _due_list(store: Store, scope: Scope, weeks: int, intervals: Path | None) -> DueList:
    from stripread.monitoring.schedule.due import due_list
    from stripread.monitoring.schedule.intervals import load_intervals

    return due_list(store, load_intervals(intervals), scope=scope, weeks=weeks)


@maintenance.command(examples=(
    'stripread maintenance record limestone-hill/filter "cartridge changed" --litres 4200',
    "stripread maintenance record limestone-hill/filter"))
@click.argument("unit")
@click.argument("job", required=False, type=click.Choice(get_args(Job)), metavar="[JOB]")
@click.option("--on", "day", type=DAY, metavar="DAY", help="Day of the work (UTC) [default: now].")
@click.option("--setting", type=click.FloatRange(0.0, 1.0), metavar="SHARE",
              help="Share of untreated water since then (bypass), 0 to 1.")
@click.option("--litres", type=click.FloatRange(min=0.0), metavar="L", help="Meter reading of the unit in litres.")
@click.option("--note", default="", metavar="TEXT", help="Comment.")
@json_lines_option
def record(unit: str, job: Job | None, *, day: datetime | None, setting: float | None, litres: float | None,
           note: str, as_json: bool) -> None:
    """Record work on a treatment unit, or list what was recorded.

    UNIT is the ID of the unit or a prefix. JOB is "installed", "cartridge changed", "setting changed", "cleaned",
    "inspected" or "removed". Without JOB, the command lists the recorded work. The schedule and the trends start at the
    day of installation or of the last change of the cartridge.
    """
    if job is None:
        store = open_store_from_settings()
        done = store.find(Service, unit=resolve_id(store, Unit, unit))
        _report(sorted(done, key=_when), as_json=as_json)
        return
    from stripread.operations.decisions import record_service

    store, account = store_and_account()
    made = Service(id=new_id(), unit=resolve_id(store, Unit, unit), at=time_of_work(store, day), job=job,
                   account=account, setting=setting, litres=litres, note=note)
    changed = record_service(store, made)
    _report([made], as_json=as_json)
    if changed and not as_json:
        echo("\n".join(change_lines(changed)), err=True)


def _report(done: list[Service], *, as_json: bool) -> None:
    if as_json:
        echo_json_lines(done)
    else:
        echo("\n".join(work_lines(done)) or "no work recorded")


def _when(done: Service) -> datetime:
    return done.at


@maintenance.command(examples=(
    "stripread maintenance decide limestone-hill --unit weak-acid-exchange --setting 0.3",
    'stripread maintenance decide 3f2a91 chosen --why "lowest cost per year"',
    "stripread maintenance decide 3f2a91 verified --reading 7bc1d2"))
@click.argument("subject", required=False, metavar="[SITE|DECISION]")
@click.argument("state", required=False, type=click.Choice(get_args(DecisionState)), metavar="[STATE]")
@click.option("--what", default="", metavar="TEXT", help="What is to be done [default: the recommended action].")
@click.option("--unit", metavar="UNIT", help="Treatment unit to buy: its ID in the catalogue.")
@click.option("--setting", type=click.FloatRange(0.0, 1.0), metavar="SHARE", help="Setting of the unit, 0 to 1.")
@click.option("--quantity", type=click.IntRange(1, 1000), default=1, show_default=True, metavar="N",
              help="Number of units to buy.")
@click.option("--why", default="", metavar="TEXT", help="Reason; required against the recommendation.")
@click.option("--reading", metavar="READING", help="Reading that verifies the installation: its ID or a prefix.")
@click.option("--point", metavar="POINT", help="Sampling point whose latest laboratory or typed results verify it.")
@intervals_option
@json_lines_option
def decide(subject: str | None, state: DecisionState | None, *, intervals: Path | None, as_json: bool,
           **given: Any) -> None:
    """Record decisions: proposed, chosen, ordered, installed, verified, closed, reopened.

    With a SITE, the command proposes a decision. With the ID of a DECISION and a STATE, it changes the decision's
    state. Without arguments, it lists all decisions. To verify a decision, name a reading of the site that was taken
    after the installation (--reading), or the sampling point of laboratory or typed results (--point).
    """
    from stripread.operations.decisions import decisions

    listed = (decisions(open_store_from_settings()) if subject is None
              else [_decided(subject, state, intervals, given)])
    if as_json:
        echo_json_lines(listed)
    else:
        echo("\n".join(decision_lines(listed)) or "no decisions")


def _decided(
    subject: str, state: DecisionState | None, intervals: Path | None, given: dict[str, Any]
) -> TreatmentDecision:
    from stripread.monitoring.schedule.intervals import load_intervals
    from stripread.operations.decisions import Decisions, Proposal, latest_sample
    from stripread.store.models.evidence import StoredReading
    from stripread.store.models.sites import SamplingPoint, Site

    store, account = store_and_account()
    made = Decisions(store, account)
    if state is None:
        proposal = Proposal(resolve_id(store, Site, subject), given["what"], given["unit"], given["setting"],
                            given["quantity"])
        return made.propose(load_intervals(intervals), proposal, given["why"])
    result = given["reading"] and resolve_id(store, StoredReading, given["reading"])
    if given["point"]:
        result = latest_sample(store, resolve_id(store, SamplingPoint, given["point"])).id
    return made.advance(resolve_id(store, TreatmentDecision, subject), state, given["why"], result)


@maintenance.command(examples=("stripread maintenance stock weak-acid-exchange 4",))
@click.argument("unit")
@click.argument("count", type=click.IntRange(0, 100_000))
@json_option
def stock(unit: str, count: int, *, as_json: bool) -> None:
    """Record how many treatment units are in stock; the shopping list takes them into account.

    UNIT is the ID of the unit in the catalogue.
    """
    from stripread.operations.decisions import Decisions

    store, account = store_and_account()
    made = Decisions(store, account).count(unit, count)
    echo(msgspec.json.encode(made) if as_json else f"{made.count} x {made.id} in stock")


def due_lines(due_list: DueList) -> Iterator[str]:
    """Yield overdue items, then the due ones by week."""
    if not due_list.items:
        yield f"nothing due before {due_list.until}"
    if due_list.overdue:
        yield f"overdue on {due_list.today}:"
        yield from (_line(item) for item in due_list.overdue)
    for monday, items in due_list.weeks():
        yield f"week of {monday}:"
        yield from (_line(item) for item in items)


def _line(item: DueItem) -> str:
    return f"  {item.on}  {item.sentence} ({item.why})"


def shopping_lines(shopping: ShoppingList) -> Iterator[str]:
    """Yield treatment units to buy and yearly costs, as far as prices are known."""
    yield "to buy:"
    lines = [line for line in shopping.lines if line.to_buy]
    yield from (_bought(line) for line in lines)
    if not lines:
        yield "  nothing"
    for currency, (now, year) in shopping.totals().items():
        yield f"  {now:.2f} {currency}".rstrip() + f"; all units {year:.2f} {currency}".rstrip() + " a year"
    if shopping.unknown:
        yield f"  excluded from the yearly cost, price or service life unknown: {', '.join(shopping.unknown)}"


def _bought(line: ShoppingLine) -> str:
    price = "price unknown" if line.cost is None else f"{line.cost:.2f} {line.currency}".rstrip()
    parts = ((line.decided, "by decisions"), (line.in_stock, "in stock"))
    note = ", ".join(f"{n} {what}" for n, what in parts if n)
    return f"  {line.to_buy} x {line.name}: {price}" + (f" ({note})" if note else "")


def work_lines(done: list[Service]) -> Iterator[str]:
    """Yield a line for each recorded work."""
    for one in done:
        parts = (one.job, "" if one.setting is None else f"setting {100 * one.setting:.0f} %",
                 "" if one.litres is None else f"{one.litres:g} litres", one.note,
                 "" if one.struck is None else f"excluded: {one.struck}")
        yield f"{one.at:%Y-%m-%d}  {'; '.join(filter(None, parts))}"


def decision_lines(decisions: list[TreatmentDecision]) -> Iterator[str]:
    """Yield a line for each decision: id, state, site, what, and whether it follows the recommendation."""
    for one in decisions:
        against = "" if one.follows else f"; against the recommendation: {one.recommended}" if one.recommended else ""
        why = f"; {one.steps[-1].why}" if one.steps[-1].why else ""
        yield f"{one.id[:8]}  {one.state:9}  {one.at:%Y-%m-%d}  {one.site}: {one.what}{against}{why}"
