"""``stripread readings``: photographs received and evaluated, readings found, exported, moved, re-evaluated."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
import msgspec

from stripread.cli.commands import CommandGroup
from stripread.cli.options import (
    FILE,
    cluster_option,
    filtered,
    json_lines_option,
    json_option,
    processes_option,
    why_option,
)
from stripread.cli.output import DONE, NO_RESULT, TABLES, WRONG, echo, echo_error, echo_verdicts, with_progress
from stripread.cli.store import open_store_from_settings, store_and_account
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.evidence import StoredReading
from stripread.store.reading_query import ReadingFilter
from stripread.store.reading_query import readings as found_readings

if TYPE_CHECKING:
    from calibration.chart import Chart
    from stripread.intake.receive import SampleInfo
    from stripread.store.store import Store

#: Lines of a page, unless --last is given.
_PAGE: Final = 50


@click.group(cls=CommandGroup, examples=("stripread readings list --site limestone-hill",))
def readings() -> None:
    """Take, list, show, export, move, withdraw and re-evaluate stored readings.

    IDs are abbreviated in lists; any unambiguous prefix is accepted.
    """


@readings.command(examples=("stripread readings take photos/ --site limestone-hill --point tap --batch 2026-A",
                            "stripread readings take --waiting"))
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
@click.option("--site", metavar="SITE", help="Site: its ID, a prefix or its name; sufficient for a site with one "
                                             "sampling point.")
@click.option("--point", metavar="POINT", help="Sampling point: its ID, or with --site its name or place.")
@click.option("--batch", metavar="BATCH", help="Strip batch, if no label in the picture identifies it.")
@click.option("--dipped", metavar="TIME", help="Time of the dip by the phone's clock, such as 2031-05-04T09:30:00.")
@click.option("--tube", metavar="TUBE", help="Tube of the strips [default: the only open tube of the batch].")
@click.option("--card", metavar="CARD", help="Card in the photographs, if single cards have IDs.")
@click.option("--phone", metavar="PHONE", help="Phone, if the photographs do not contain its model.")
@click.option("--machine", metavar="ID|NAME|FILE.toml",
              help="Machine for the assessment [default: that of the sampling point].")
@click.option("--waiting", is_flag=True, help="Photographs received but not yet evaluated, in addition to PHOTOS.")
@processes_option
@json_lines_option
def take(photos: tuple[Path, ...], *, waiting: bool, machine: str | None, processes: int | None, as_json: bool,
         **sample: str | None) -> int:
    """Store PHOTOS, evaluate them on the batch's chart and assess the water for the machine.

    PHOTOS are files or folders. "received" is printed once a photograph has been stored durably. Re-running is safe:
    it resumes interrupted work and never creates duplicates. Readings without a result are stored too.
    """
    from stripread.cli.inputs import local_photos
    from stripread.cli.intake import IntakeCommand
    from stripread.intake.process import WORTH_A_PROCESS, IntakeOptions, process_photos, without_reading
    from stripread.reading.executors import executor_for

    if not (photos or waiting):
        raise click.UsageError("name photographs or folders, or give --waiting")
    store, account = store_and_account()
    intake = IntakeCommand(store, account, as_json=as_json)
    named = intake.received(list(local_photos(photos)), _sample(store, **sample))
    received = list({p.id: p for p in (*named, *(without_reading(store) if waiting else ()))}.values())
    executor = executor_for(len(received), worth=WORTH_A_PROCESS, processes=processes)
    options = IntakeOptions(equipment=machine, executor=executor)
    for _ in intake.report(len(received), process_photos(store, account, received, options)):
        pass
    return intake.status


def _sample(store: Store, *, site: str | None, point: str | None, dipped: str | None, **names: Any) -> SampleInfo:
    """Return what is stated of the photographs."""
    from stripread.intake.receive import SampleInfo
    from stripread.intake.sampling_context import resolve_point
    from stripread.reading.context import dip_from_text

    at = dip_from_text(dipped).at if dipped else None
    return msgspec.structs.replace(SampleInfo(), point=resolve_point(store, site, point), dipped=at, **names)


@readings.command("list", examples=("stripread readings list --site limestone-hill --last 10",
                                    "stripread readings list --verdict out-of-limits --since 2031-01-01"))
@filtered
@click.option("--last", type=click.IntRange(min=1), metavar="N",
              help=f"Number of latest readings [default: {_PAGE}; all with --json].")
@click.option("--before", metavar="READING", help="Last reading of the previous page; the list continues after it.")
@json_lines_option
def list_(*, wanted: Callable[[Store], ReadingFilter], last: int | None, before: str | None, as_json: bool) -> None:
    """List current readings, newest sample first."""
    from stripread.cli.show_readings import list_lines

    store = open_store_from_settings()
    after = before and resolve_id(store, StoredReading, before)
    if as_json:
        for listed in found_readings(store, wanted(store), last, after):
            echo(msgspec.json.encode(listed))
        return
    page = last or _PAGE
    rows = found_readings(store, wanted(store), page + 1, after)
    if not rows:
        echo_error("no matching reading")
        return
    echo_verdicts("\n".join(list_lines(rows[:page])))
    if len(rows) > page:
        echo_error(f"more readings: give --before {short_id(rows[page - 1].id)} for the next page, or a larger --last")


@readings.command(examples=("stripread readings show 3f2a91",))
@click.argument("reading")
@json_option
def show(reading: str, *, as_json: bool) -> None:
    """Show READING with all supporting data.

    Values, sampling point, photograph, chart and its state, verdicts, reviews and corrections, the reading that
    supersedes it, and all entries of the audit trail about these. Times are UTC.
    """
    from stripread.cli.show_readings import history_text
    from stripread.store.reading_history import load_history

    store = open_store_from_settings()
    history = load_history(store, resolve_id(store, StoredReading, reading))
    if as_json:
        echo(msgspec.json.encode(history))
    else:
        echo_verdicts(history_text(history))


@readings.command(examples=("stripread readings export --group hills -o hills.csv",
                            "stripread readings export -o readings.parquet"))
@filtered
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Number of latest readings [default: all].")
@click.option("--format", "form", type=click.Choice(TABLES), metavar="FORMAT",
              help="csv, json (JSON lines) or parquet [default: by the extension of --output, otherwise csv].")
@click.option("-o", "--output", type=FILE, metavar="FILE",
              help="File to write; an existing one is replaced atomically [default: standard output].")
@click.option("--names", is_flag=True, help="Names of persons [default: pseudonymous IDs].")
def export(*, wanted: Callable[[Store], ReadingFilter], last: int | None, form: str | None, output: Path | None,
           names: bool) -> None:
    """Export readings as a table with units in the header and 95 % intervals.

    Cells are escaped against spreadsheet formula injection. Locations of photographs are not exported. For whole
    records use `stripread storage export`.
    """
    from stripread.cli.output import table_format, write_chunks
    from stripread.exchange.readings_table import as_csv, as_json_lines, as_parquet, readings_table

    store = open_store_from_settings()
    table = readings_table(store, wanted(store), limit=last, names=names)
    write = dict(zip(TABLES, (as_csv, as_json_lines, as_parquet), strict=True))[table_format(form, output)]
    write_chunks(output, [write(table)])
    if output:
        echo(f"{output}: {len(table.rows)} {'reading' if len(table.rows) == 1 else 'readings'}")


@readings.command(examples=(
    'stripread readings move 3f2a91 --site "Limestone Hill" --point tap --why "label of another site scanned"',))
@click.argument("reading")
@click.option("--site", metavar="SITE", help="Correct site: its ID, a prefix or its name.")
@click.option("--point", metavar="POINT", help="Correct sampling point: its ID; with --site its name or place.")
@click.option("--tube", metavar="TUBE", help="Correct tube: its ID or a prefix.")
@click.option("--account", metavar="ACCOUNT", help="Correct account: its ID or a prefix.")
@why_option
@json_option
def move(reading: str, *, why: str, as_json: bool, **to: str | None) -> None:
    """Move the photograph of READING to the correct sampling point, tube or account.

    READING is the ID of a reading or photograph. A new reading supersedes the old one and is queued for review. At
    another point its values are assessed for the machine there; with another tube the photograph is evaluated again
    on that tube's chart.
    """
    from stripread.cli.inputs import destination, photograph_of
    from stripread.review.move import move as move_photograph

    store, by = store_and_account()
    photograph = photograph_of(store, reading)
    new = move_photograph(store, by, photograph, destination(store, why, to))
    if new is not None and as_json:
        echo(msgspec.json.encode(new))
    elif not as_json:
        echo(f"photograph {short_id(photograph)} moved" + (f"; its reading is now {short_id(new.id)}" if new else ""))


@readings.command(examples=('stripread readings withdraw 3f2a91 --why "strip dipped in rinse water"',
                            "stripread readings withdraw 3f2a91 --restore"))
@click.argument("reading")
@click.option("--why", default="", metavar="TEXT", help="Reason, for the audit trail; required without --restore.")
@click.option("--restore", is_flag=True, help="Reverse an earlier withdrawal.")
@json_option
def withdraw(reading: str, *, why: str, restore: bool, as_json: bool) -> None:
    """Withdraw your own READING: it is retained and excluded from lists of results, trends and verdicts.

    Only the account that took the photograph may withdraw its reading; a reviewer rejects the readings of others.
    """
    from stripread.review.session import restore_own, withdraw_own

    store, by = store_and_account()
    id_ = resolve_id(store, StoredReading, reading)
    made = restore_own(store, by, id_) if restore else withdraw_own(store, by, id_, why)
    echo(msgspec.json.encode(made) if as_json else f"reading {short_id(id_)} {'restored' if restore else 'withdrawn'}")


@readings.command("re-evaluate", examples=(
    "stripread readings re-evaluate --reproduce --site limestone-hill",
    'stripread readings re-evaluate --batch 2026-A --supersede --why "chart fitted with two more lights"'))
@click.argument("ids", nargs=-1, metavar="[READING]...")
@click.option("--reproduce", is_flag=True, help="Original chart, profile and context; all results must be identical.")
@click.option("--chart", metavar="CHART", help="Hash of a chart, or a prefix [default: the current chart of each "
                                               "batch].")
@click.option("--supersede", is_flag=True, help="Store a new reading where results differ [default: compare].")
@click.option("--why", metavar="TEXT", help="Reason of --supersede, for the audit trail.")
@processes_option
@cluster_option
@json_lines_option
@filtered
def re_evaluate(ids: tuple[str, ...], *, wanted: Callable[[Store], ReadingFilter], reproduce: bool,
                chart: str | None, supersede: bool, why: str | None, processes: int | None, cluster: str | None,
                as_json: bool) -> int:
    """Re-evaluate stored photographs: reproduce the original results, or apply another chart.

    Without READING, the command re-evaluates all readings that match the filters. With --reproduce, it reports
    differences with the software versions that may explain them. Otherwise it shows how many values and verdicts
    change, and by how much. With --supersede, the new readings supersede the old ones; both are retained. Re-running
    resumes interrupted work.

    Exit status: 1 if results differ (--reproduce); 2 if photographs could not be evaluated.
    """
    from stripread.cli.options import chosen_executor
    from stripread.cli.show_readings import change_lines, summary_lines
    from stripread.intake.process import WORTH_A_PROCESS
    from stripread.review.reanalysis.comparison import SummaryBuilder
    from stripread.review.reanalysis.run import ReanalysisOptions, reevaluate
    from stripread.review.reanalysis.run import reproduce as reproduced
    from stripread.store.models.materials import StoredChart

    _check_options(reproduce=reproduce, chart=chart, supersede=supersede, why=why)
    store, by = store_and_account() if supersede else (open_store_from_settings(), "")
    on = None if chart is None else store.get(StoredChart, resolve_id(store, StoredChart, chart)).chart
    chosen = [resolve_id(store, StoredReading, i) for i in ids] or _matching(store, wanted(store), on)
    executor = chosen_executor(len(chosen), worth=WORTH_A_PROCESS, processes=processes, cluster=cluster)
    comparisons = reproduced(store, chosen, executor) if reproduce else reevaluate(
        store, chosen, ReanalysisOptions(on, by, why), executor)
    builder = SummaryBuilder()
    for _, one in zip(with_progress(chosen, "Evaluating"), comparisons, strict=True):
        builder.add(one)
        _print(one, change_lines(one), as_json=as_json)
    summary = builder.summary()
    _print(summary, summary_lines(summary, kept=supersede), as_json=as_json)
    if summary.outcomes.get("not-evaluated"):
        return WRONG
    return NO_RESULT if reproduce and summary.outcomes.get("differs") else DONE


def _check_options(**options: Any) -> None:
    if options["reproduce"] and (options["chart"] or options["supersede"]):
        raise click.UsageError("--reproduce uses the original chart and stores nothing: omit --chart and --supersede")
    if options["supersede"] and not (options["why"] or "").strip():
        raise click.UsageError("--supersede needs a reason: give --why TEXT")
    if options["why"] is not None and not options["supersede"]:
        raise click.UsageError("--why is the reason of --supersede: give that too")


def _matching(store: Store, wanted: ReadingFilter, chart: Chart | None) -> list[str]:
    """Return the readings that match the filters, of the chart's batch if a chart is given."""
    if chart is not None and wanted.batch is None:
        wanted = msgspec.structs.replace(wanted, batch=chart.batch)
    # In order of time: each strip is judged together with the earlier ones of its tube.
    return [listed.id for listed in found_readings(store, wanted, oldest_first=True)]


def _print(record: object, lines: Iterator[str], *, as_json: bool) -> None:
    if as_json:
        echo(msgspec.json.encode(record))
        return
    for line in lines:
        echo(line)
