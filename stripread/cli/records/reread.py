"""``stripread records reread``: kept readings made again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

import click
import msgspec

from calibration.chart import Chart
from shared.analytes import ANALYTES
from stripread.cli.main import DONE, SOME_REFUSED, WRONG, echo
from stripread.cli.progress import with_progress
from stripread.cli.records.filters import filtered
from stripread.cli.records.store import open_store_from_settings, store_and_account
from stripread.intake.process import WORTH_A_PROCESS
from stripread.reading.processes import sensible_processes
from stripread.review.reanalysis.comparison import (
    Outcome,
    ReadingComparison,
    ReanalysisSummary,
    SummaryBuilder,
    ValueChange,
    VerdictChange,
)
from stripread.review.reanalysis.run import ReanalysisOptions, reproduce
from stripread.review.reanalysis.run import reevaluate as read_again
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.evidence import StoredReading
from stripread.store.models.materials import StoredChart
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.store import Store

_WORDS: Final[dict[Outcome, str]] = {
    "differs": "different", "prints the same": "different in digits that are not printed", "same": "the same",
    "not read again": "not read again", "passed over": "passed over"}


@click.command()
@click.argument("ids", nargs=-1, metavar="[READING]...")
@click.option("--check", is_flag=True, help="Repeat them as they were made: all must be the same.")
@click.option("--chart", metavar="CHART", help="On this chart (its hash, or the beginning of it) [default: the present "
              "one of each batch].")
@click.option("--supersede", is_flag=True, help="Keep new readings in place of those that are others now.")
@click.option("--why", metavar="TEXT", help="With --supersede: the reason, for the log.")
@click.option("--processes", type=click.IntRange(1, 64), help="Read on so many processes [default: what pays].")
@click.option("--json", "as_json", is_flag=True, help="A JSON object for each reading; in the last line the summary.")
@filtered
def reread(ids: tuple[str, ...], *, wanted: Callable[[Store], ReadingFilter], check: bool, chart: str | None,
           supersede: bool, why: str | None, processes: int | None, as_json: bool) -> int:
    """Read kept photographs again: the READINGs named, or all that the filters leave.

    With --check as each was made, from photograph, chart, profile and what was known beside them: any difference is
    told with the versions it may come from. Without it on the batch's present chart with this version of the
    program: how many change, by how much, which verdicts flip; nothing is changed. With --supersede the new readings
    then stand in place of the old ones, and both stay. Interrupted, the same command goes on where it stopped.

    Exit status: 1 some differ from how they were made (--check); 2 some could not be read again.
    """
    _check_options(check=check, chart=chart, supersede=supersede, why=why)
    store, by = store_and_account() if supersede else (open_store_from_settings(), "")
    on = None if chart is None else store.get(StoredChart, resolve_id(store, StoredChart, chart)).chart
    chosen = [resolve_id(store, StoredReading, i) for i in ids] or _listed(store, wanted(store), on)
    pays = processes or sensible_processes(len(chosen), worth=WORTH_A_PROCESS)
    found = reproduce(store, chosen, pays) if check else read_again(store, chosen, ReanalysisOptions(on, by, why), pays)
    tally = SummaryBuilder()
    for one in _shown(found, chosen):
        tally.add(one)
        for line in [msgspec.json.encode(one).decode()] if as_json else _lines(one):
            echo(line)
    summary = tally.summary()
    for line in [msgspec.json.encode(summary).decode()] if as_json else _summed(summary, kept=supersede):
        echo(line)
    if summary.outcomes.get("not read again"):
        return WRONG
    return SOME_REFUSED if check and summary.outcomes.get("differs") else DONE


def _check_options(**options: Any) -> None:
    if options["check"] and (options["chart"] or options["supersede"]):
        raise click.UsageError("--check repeats readings as they were made: it takes no --chart and no --supersede")
    if options["supersede"] and not (options["why"] or "").strip():
        raise click.UsageError("--supersede needs a reason for the log: give --why TEXT")
    if options["why"] is not None and not options["supersede"]:
        raise click.UsageError("--why is the reason of --supersede: give that too")


def _listed(store: Store, wanted: ReadingFilter, chart: Chart | None) -> list[str]:
    """What the filters leave, of the chart's batch where a chart is named."""
    if chart is not None and wanted.batch is None:
        wanted = msgspec.structs.replace(wanted, batch=chart.batch)
    return [listed.id for listed in readings(store, wanted)]


def _shown(found: Iterator[ReadingComparison], chosen: Sequence[str]) -> Iterator[ReadingComparison]:
    for _, one in zip(with_progress(chosen, "Reading again"), found, strict=True):
        yield one


def _lines(one: ReadingComparison) -> Iterator[str]:
    """A reading that is another now, or could not be read; of the others nothing."""
    if one.outcome not in ("differs", "not read again"):
        return
    told = [*map(_shift, one.shifts), *(f"no longer {f}" for f in one.flags_gone), *(f"now {f}" for f in one.flags_new),
            *map(_flip, one.flips)]
    yield f"{short_id(one.id)}  {one.photo}: {one.why or 'different'}"
    yield from (f"    {line}" for line in told)
    if one.new:
        yield f"    superseded by {short_id(one.new)}"


def _shift(shift: ValueChange) -> str:
    share = "" if shift.share is None else f", {shift.share:.2g} of the interval"
    return f"{ANALYTES[shift.analyte].name}: {shift.was} -> {shift.now}{share}"


def _flip(flip: VerdictChange) -> str:
    return f"{flip.severity}: {flip.was or 'not judged'} -> {flip.now or 'not judged'}"


def _summed(summary: ReanalysisSummary, *, kept: bool) -> Iterator[str]:
    counts = ", ".join(f"{summary.outcomes[o]} {words}" for o, words in _WORDS.items() if summary.outcomes.get(o))
    yield f"{summary.readings} {'reading' if summary.readings == 1 else 'readings'}: {counts or 'none that fits'}"
    for reason, number in summary.passed_over.items():
        yield f"  {reason}: {number}"
    for moved in summary.moved:
        yield (f"  {ANALYTES[moved.analyte].name}: {moved.readings} moved, by {moved.median:.2g} of the interval in "
               f"the median, {moved.largest:.2g} at most")
    for number, words in ((summary.gained, "values gained"), (summary.lost, "values lost")):
        if number:
            yield f"  {number} {words}"
    for verdict, number in summary.flips.items():
        yield f"  verdict {verdict} in {number}"
    for cause, number in summary.causes.items():
        yield f"  another now: {cause}, in {number}"
    yield (f"{summary.superseded} superseded; the earlier ones stay" if kept else
           "nothing was changed in the records")
