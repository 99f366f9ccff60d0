"""``stripread sites``: tables of sites, their status, trends, comparison with a laboratory."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from stripread.cli.commands import CommandGroup
from stripread.cli.options import DAY, FILE, analyte_option, intervals_option, json_option, scoped
from stripread.cli.output import echo, echo_verdicts
from stripread.cli.table_import import ImportCommand, dry_run_option, import_files, table_files

if TYPE_CHECKING:
    from stripread.monitoring.sites import Scope
    from stripread.store.store import Store


@click.group(cls=CommandGroup, examples=("stripread sites status --group hills",))
def sites() -> None:
    """Import sites, show their status, trends and supply zones, compare with a laboratory."""


@sites.command("import", cls=ImportCommand, examples=(
    "stripread sites import sites.csv points.csv --dry-run", "stripread sites import *.csv"))
@table_files
@dry_run_option
@json_option
def import_(*, files: Sequence[Path], dry_run: bool, as_json: bool) -> None:
    """Import tables of sites, sampling points, machines, units, strips and laboratory results.

    The import is atomic and idempotent. The header of the first column states what the rows are: group, site, machine,
    treatment unit, sampling point, batch, tube, card or phone. The cells below it are IDs that you choose. A table
    whose first column is "taken" (the time of sampling) contains laboratory results. An empty cell deletes the stored
    value; values of missing columns are unchanged. The audit trail records old and new values.
    """
    import_files(files, dry_run=dry_run, as_json=as_json)


@sites.command(examples=("stripread sites status", "stripread sites status --group hills --json"))
@scoped
@intervals_option
@json_option
def status(*, store: Store, scope: Scope, intervals: Path | None, as_json: bool) -> None:
    """Show one line per site, most severe first: verdict, last reading, overdue tasks, next task.

    The verdict is that of the latest assessed reading of the sampling point nearest to the machine.
    """
    from stripread.cli.show_sites import status_lines
    from stripread.monitoring.schedule.intervals import load_intervals
    from stripread.monitoring.status import overview

    overview_ = overview(store, load_intervals(intervals), scope=scope)
    if as_json:
        echo(msgspec.json.encode(overview_))
    else:
        echo_verdicts("\n".join(status_lines(overview_)))


@sites.command(examples=("stripread sites trend --point limestone-hill/tap --analyte hardness",
                         'stripread sites trend --site "Limestone Hill" --point tap -o trend.svg'))
@click.option("--point", required=True, metavar="POINT",
              help="Sampling point: its ID or a prefix; with --site its name.")
@click.option("--site", metavar="SITE", help="Site of the point: its ID, a prefix or its name.")
@analyte_option
@click.option("-o", "--output", type=FILE, metavar="FILE.svg", help="Drawing of the trend to write.")
@json_option
def trend(*, point: str, site: str | None, analyte: str | None, output: Path | None, as_json: bool) -> None:
    """Show the water of a sampling point over time: steps of the mains, drift, filter exhaustion.

    Superseded and rejected readings and those without a result are excluded. Strips dipped on one visit are combined.
    A change of the strip batch is not counted as a change of the water.
    """
    from stripread.cli.show_sites import trend_lines
    from stripread.cli.store import open_store_from_settings
    from stripread.monitoring.trend.trend import trend as trend_of

    store = open_store_from_settings()
    trend_ = trend_of(store, _point(store, site, point), analyte)
    if output is not None:
        from stripread.report.trend import write_trend_plot

        write_trend_plot(output, trend_)
    echo(msgspec.json.encode(trend_) if as_json else "\n".join(trend_lines(trend_)))


def _point(store: Store, site: str | None, point: str) -> str:
    from stripread.intake.sampling_context import resolve_point
    from stripread.store.lookup import resolve_id
    from stripread.store.models.sites import SamplingPoint, Site

    if site is None:
        return resolve_id(store, SamplingPoint, point)
    return resolve_point(store, resolve_id(store, Site, site), point) or point


@sites.command(examples=("stripread sites zones", "stripread sites zones --group hills --json"))
@scoped
@json_option
def zones(*, store: Store, scope: Scope, as_json: bool) -> None:
    """Show supply zones: levels of the mains at their sites, and changes that several sites share.

    The column zone of a table of sites names the supply zone. A change that several sites of a zone share originates in
    the mains, not at a site.
    """
    from stripread.cli.show_sites import zone_lines
    from stripread.monitoring.supply_zones import supply_zones

    zones_ = supply_zones(store, scope)
    echo(msgspec.json.encode(zones_) if as_json else "\n".join(zone_lines(zones_)) or
         "no supply zones: import a table of sites with the column zone")


@sites.command("compare-lab", examples=("stripread sites compare-lab --analyte hardness --days 3",))
@scoped
@analyte_option
@click.option("--days", type=click.FloatRange(min=0.0, max=365.0), default=1.0, show_default=True, metavar="DAYS",
              help="Largest difference in days between a reading and a laboratory result of the same point.")
@json_option
def compare_lab(*, store: Store, scope: Scope, analyte: str | None, days: float, as_json: bool) -> None:
    """Compare strip readings with laboratory results: bias, agreement, interval coverage.

    The command reports limits of agreement (Bland and Altman), a line with errors in both variables (Deming), and the
    strip's intrinsic uncertainty. Enter this uncertainty as intrinsic_u in the strip type, and every interval will
    include it.
    """
    from stripread.cli.show_sites import comparison_lines, left_out_lines
    from stripread.monitoring.method_comparison import compare_methods

    comparisons = compare_methods(store, scope, analyte, days=days)
    echo(msgspec.json.encode(comparisons) if as_json else
         "\n".join((*(line for one in comparisons for line in comparison_lines(one)), *left_out_lines(comparisons))))


@sites.command(examples=("stripread sites limits limestone-hill/outlet --set cup-target --from 2031-02-01",
                         "stripread sites limits limestone-hill/outlet --set strict.toml"))
@click.argument("points", nargs=-1, required=True, metavar="POINT...")
@click.option("--set", "limits", metavar="NAME|FILE.toml",
              help="Set of limits: supplied or registered, or a file to register [default: that of the whole store].")
@click.option("--from", "since", type=DAY, metavar="DAY", help="First day (UTC) [default: today].")
@json_option
def limits(*, points: Sequence[str], limits: str | None, since: datetime | None, as_json: bool) -> None:
    """Assign a set of limits to sampling points from a given day; assess their sites again.

    Samples of that day and later are assessed against this set; earlier assessments are retained. Without --set the
    limits of the whole store apply again.
    """
    from stripread.cli.show_changes import change_lines
    from stripread.cli.store import store_and_account
    from stripread.intake.terms import register_set
    from stripread.operations.assignment import assign_limits, limit_changes
    from stripread.store.lookup import resolve_id
    from stripread.store.models.sites import LimitAssignment, SamplingPoint
    from stripread.store.site_access import ALL_SITES

    store, by = store_and_account()
    chosen = {resolve_id(store, SamplingPoint, point) for point in points}
    if limits is not None and limits.endswith(".toml"):
        with store.writing(by) as work:
            limits = register_set(work, Path(limits))
    assigned = LimitAssignment(since=(since or store.clock()).date(), limits=limits)
    changes = assign_limits(store, by, limit_changes(store, ALL_SITES, chosen, assigned), assigned)
    echo(msgspec.json.encode(changes) if as_json else
         "\n".join([f"{limits or 'limits of the store'} from {assigned.since}: {', '.join(sorted(chosen))}",
                    *change_lines(changes)]))
