"""``stripread machines``: espresso machines, treatment units, own limits and catalogues."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, get_args

import click
import msgspec

from shared.text import format_value
from stripread.cli.commands import CommandGroup
from stripread.cli.options import DAY, json_lines_option, json_option
from stripread.cli.output import echo, echo_error, echo_json_lines
from stripread.cli.store import open_store_from_settings, store_and_account, time_of_work
from stripread.cli.table_import import ImportCommand, dry_run_option, import_files, table_files
from stripread.store.lookup import resolve_id
from stripread.store.models.record import new_id
from stripread.store.models.sites import Machine, MachineJob, MachineWork, Unit

if TYPE_CHECKING:
    from stripread.monitoring.machine_ledger import MachineLedger

#: Files with own limits and treatment units.
_TERMS = ".toml"


@click.group(cls=CommandGroup, examples=("stripread machines list",))
def machines() -> None:
    """Import and list machines and treatment units; record work on a machine, show its ledger."""


@machines.command("import", cls=ImportCommand, examples=(
    "stripread machines import machines.csv units.csv --dry-run", "stripread machines import catalogue.toml"))
@table_files
@dry_run_option
@json_option
def import_(*, files: Sequence[Path], dry_run: bool, as_json: bool) -> None:
    """Import tables of machines and treatment units, and your own limits and catalogues (TOML).

    Own limits and treatment units with their prices apply to every later reading. Current readings are assessed again;
    their earlier assessments are retained. A table of machines names the profile of each machine (TOML).
    """
    from stripread.cli.table_import import register

    terms = [file for file in files if file.suffix.lower() == _TERMS]
    if terms and dry_run:
        raise click.UsageError("--dry-run applies to tables only: omit the TOML files")
    if terms:
        register(terms, as_json=as_json)
    tables = [file for file in files if file not in terms]
    if tables:
        import_files(tables, dry_run=dry_run, as_json=as_json)


@machines.command("list", examples=("stripread machines list --json",))
@json_lines_option
def list_(*, as_json: bool) -> None:
    """List machines and treatment units with their sites."""
    store = open_store_from_settings()
    records: list[Machine | Unit] = [*store.find(Machine), *store.find(Unit)]
    for one in records:
        echo(msgspec.json.encode(one) if as_json else _line(one))
    if not records:
        echo_error("no machines: import a table with `stripread machines import`")


@machines.command(examples=('stripread machines record limestone-hill/left descaled --note "citric acid, 40 min"',
                            "stripread machines record limestone-hill/left"))
@click.argument("machine")
@click.argument("job", required=False, type=click.Choice(get_args(MachineJob)), metavar="[JOB]")
@click.option("--on", "day", type=DAY, metavar="DAY", help="Day of the work (UTC) [default: now].")
@click.option("--boiler", metavar="NAME", help="The only boiler that was worked on [default: all boilers].")
@click.option("--note", default="", metavar="TEXT", help="Comment.")
@json_lines_option
def record(machine: str, job: MachineJob | None, *, day: datetime | None, boiler: str | None, note: str,
           as_json: bool) -> None:
    """Record work on MACHINE, or list what was recorded.

    JOB is "installed", "descaled", "boiler replaced", "repaired" or "inspected". Without JOB, the command lists the
    recorded work. The ledger counts from the last installation, descaling or replacement of each boiler.
    """
    if job is None:
        store = open_store_from_settings()
        done = sorted(store.find(MachineWork, machine=resolve_id(store, Machine, machine)), key=lambda w: w.at)
    else:
        store, account = store_and_account()
        one = store.get(Machine, resolve_id(store, Machine, machine))
        done = [MachineWork(id=new_id(), machine=one.id, at=time_of_work(store, day), job=job, account=account,
                            note=note, boiler=None if boiler is None else _known_boiler(one, boiler))]
        with store.writing(account) as transaction:
            transaction.put(done[0], job, note)
    if as_json:
        echo_json_lines(done)
    else:
        echo("\n".join(map(_work_line, done)) or "no work recorded")


def _known_boiler(machine: Machine, typed: str) -> str:
    """The name of a boiler of the machine. Raises BadParameter."""
    names = [b.name for b in machine.equipment.boilers]
    if typed not in names:
        raise click.BadParameter(f"{machine.id} has no such boiler; found {typed!r}; allowed: {', '.join(names)}",
                                 param_hint="--boiler")
    return typed


def _work_line(done: MachineWork) -> str:
    struck = "" if done.struck is None else f"excluded: {done.struck}"
    return f"{done.at:%Y-%m-%d}  {'; '.join(filter(None, (done.job, done.boiler, done.note, struck)))}"


@machines.command(examples=("stripread machines ledger limestone-hill/left --since 2031-01-12",))
@click.argument("machine")
@click.option("--since", type=DAY, metavar="DAY",
              help="First day (UTC) [default: the last recorded descaling, else the first assessed reading].")
@json_option
def ledger(machine: str, *, since: datetime | None, as_json: bool) -> None:
    """Show scale and boiler chloride of MACHINE over time, from the assessed waters nearest to it.

    Each assessed water applies until the next one, at the demand stated for the machine. Scale is the largest amount
    that the water can deposit.
    """
    from stripread.monitoring.machine_ledger import machine_ledger

    store = open_store_from_settings()
    ledger_ = machine_ledger(store, resolve_id(store, Machine, machine), since and since.replace(tzinfo=UTC))
    echo(msgspec.json.encode(ledger_) if as_json else "\n".join(_ledger_lines(ledger_)))


def _ledger_lines(ledger: MachineLedger) -> Iterator[str]:
    yield (f"{ledger.machine}, {ledger.name}: {ledger.since:%Y-%m-%d} to {ledger.until:%Y-%m-%d}, "
           f"water of {ledger.point}")
    for b in ledger.boilers:
        chloride = "chloride not measured" if b.highest_chloride is None else (
            f"highest chloride {format_value(**msgspec.to_builtins(b.highest_chloride), unit='mg/L Cl')}")
        since = "" if b.since == ledger.since else f" since {b.since:%Y-%m-%d}"
        scale = format_value(**msgspec.to_builtins(b.scale_g), unit="g")
        yield f"  {b.boiler}: at most {scale} of scale{since}; {chloride}"


def _line(one: Machine | Unit) -> str:
    if isinstance(one, Unit):
        return f"{one.id}  treatment unit, {one.unit.name}, site {one.site}"
    removed = f", removed {one.removed}" if one.removed else ""
    return f"{one.id}  machine, {one.equipment.name}, site {one.site}{removed}"
