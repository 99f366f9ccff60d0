"""``stripread chart``: calibration charts registered, checked, released, compared, withdrawn; impact of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import msgspec

from calibration.checks import DEFAULT_RULE, CheckRule
from calibration.release import Release, gated, state_of
from shared.errors import MismatchError
from stripread.cli.chart_source import ChartFile, ChartOptions, StoredChartSource, chart_source
from stripread.cli.commands import CommandGroup
from stripread.cli.options import DAY, FILE, REASON, json_lines_option, json_option, profile_option
from stripread.cli.output import DONE, NO_RESULT, echo

if TYPE_CHECKING:
    from calibration.control import CheckResult

_chart = click.argument("chart", type=click.Path(path_type=Path))
_table = click.argument("table", type=click.Path(path_type=Path))
_by_option = click.option("--by", metavar="NAME", help="Name or ID of the person who releases or withdraws a "
                                                       "chart file.")
_why_option = click.option("--why", type=REASON, required=True, metavar="TEXT",
                           help="Reason for the release or withdrawal.")
_CONTROL_FAILS = {"warning": {"warning", "out of control"}, "out-of-control": {"out of control"}}
_CHECK_FAILS: dict[str, set[str]] = {"warning": {"warning", "fail"}, "fail": {"fail"}, "none": set()}


@click.group(cls=CommandGroup, examples=("stripread chart show 2026-A",))
def chart() -> None:
    """Register, check, release, compare and withdraw calibration charts.

    CHART is a file with its release files in the same folder (NAME.release-....json for NAME.json), or a registered
    chart: its batch, or a prefix of its hash.
    """


@chart.command(examples=("stripread chart show 2026-A", "stripread chart show 2026-A.json --json"))
@_chart
@json_option
def show(chart: Path, *, as_json: bool) -> None:
    """Show the state, origin and contents of CHART."""
    from stripread.cli.show_chart import chart_json, chart_lines

    source = chart_source(chart)
    releases = source.releases()
    state = state_of(source.chart.id, releases, now=datetime.now(UTC))
    chart_releases = tuple(r for r in releases if r.chart == source.chart.id)
    echo(chart_json(source.chart, state, chart_releases) if as_json
         else "\n".join(chart_lines(source.chart, state, chart_releases)))


@chart.command(examples=("stripread chart register 2026-A.json",))
@click.argument("files", nargs=-1, required=True, type=FILE)
@json_lines_option
def register(files: tuple[Path, ...], *, as_json: bool) -> None:
    """Register charts with the releases in the same folder; later commands refer to them by batch.

    FILES are charts or releases of registered charts (JSON). Files already registered are left unchanged.
    """
    from stripread.cli.table_import import register as register_files

    register_files(files, as_json=as_json)


def _rule_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the rule by which check standards are evaluated."""
    for option in (
            click.option("--fail-on", type=click.Choice(list(_CHECK_FAILS)), default="fail", show_default=True,
                         help="Least severe outcome that gives exit status 1."),
            click.option("--deviation", type=click.FloatRange(min=0.0, min_open=True), default=DEFAULT_RULE.relative,
                         show_default=True, metavar="SHARE",
                         help="Largest deviation as a share of the known value. A larger one fails if it also "
                              "exceeds a tenth of the chart's range."),
            click.option("--zeta", type=click.FloatRange(min=0.0, min_open=True), default=DEFAULT_RULE.fail_zeta,
                         show_default=True, metavar="Z", help="Largest zeta score (absolute) that does not fail.")):
        command = option(command)
    return command


@chart.command(examples=("stripread chart check 2026-A.json standards.csv --profile card-run-007.txt",
                         "stripread chart check 2026-A checks.csv --phone phone-1"))
@_chart
@_table
@profile_option
@_rule_options
@click.option("--tube", metavar="TUBE", help="Tube of the strips, for a registered chart [default: the only open one].")
@click.option("--phone", metavar="PHONE", help="Phone, for a registered chart, if the photographs do not contain its "
                                               "model.")
@json_lines_option
def check(chart: Path, table: Path, *, zeta: float, deviation: float, fail_on: str, as_json: bool, **given: Any) -> int:
    """Evaluate the check standards of TABLE on CHART.

    TABLE is a standards table; its rows with role check are evaluated. They were not used in the fit. With a
    registered chart the photographs and readings are stored, `stripread chart control` draws their control charts,
    and the model of the phone is qualified if they pass.
    """
    rule = CheckRule(fail_zeta=zeta, warn_zeta=min(DEFAULT_RULE.warn_zeta, zeta), relative=deviation)
    checked, status = chart_source(chart).check(table, rule, ChartOptions(**given), as_json=as_json)
    return NO_RESULT if any(c.verdict in _CHECK_FAILS[fail_on] for c in checked) else status


@chart.command(examples=("stripread chart validate 2026-A.json waters.csv --profile card-run-007.txt",))
@_chart
@_table
@profile_option
@json_option
def validate(chart: Path, table: Path, *, profiles: tuple[Path, ...], as_json: bool) -> None:
    """Compare readings of real waters on CHART with reference values: bias, agreement, intrinsic uncertainty.

    TABLE is a standards table; its rows with role check are real waters with the values of a reference method.
    """
    from stripread.cli.inputs import read_checks
    from stripread.cli.show_chart import waters_json, waters_lines

    pairs = read_checks(table, chart_source(chart).chart, profiles)
    echo(waters_json(pairs) if as_json else "\n".join(waters_lines(pairs)))


@chart.command(examples=('stripread chart release 2026-A --why "check standards passed" --until 2031-09-30',
                         ('stripread chart release 2026-A.json --by "Ada Exampleworth" --why "checks passed" '
                         '--until 2031-09-30 --checks checks.csv --profile card-run-007.txt --expires 2032-01-31')))
@_chart
@_by_option
@_why_option
@click.option("--until", required=True, type=DAY, metavar="DAY",
              help="Last day of the release (UTC), on or before the expiry date.")
@click.option("--from", "since", type=DAY, metavar="DAY", help="First day of the release (UTC) [default: now].")
@click.option("--checks", "tables", multiple=True, metavar="FILE", type=click.Path(path_type=Path),
              help="Table with check standards, for a chart file; repeatable.")
@profile_option
@click.option("--expires", type=DAY, metavar="DAY", help="Expiry date of the strip batch, for a chart file.")
@click.option("--despite", metavar="REASON", default="", help="Reason for a release that fails the release gate.")
@json_option
def release(chart: Path, *, by: str | None, why: str, until: datetime, since: datetime | None, despite: str,
            as_json: bool, **given: Any) -> None:
    """Release CHART for use once its check standards pass the release gate.

    The gate: at least 3 check standards at different levels for each analyte, each photographed under at least 2
    lights, one of them not used in the fit; at most as many |zeta| > 2 as chance explains (the 99 % point of the
    binomial distribution with p = 0.05), and none above 3.5; a known expiry date of the strips, not before --until. If
    the gate fails, the command lists what is missing.

    With --despite the chart is released although it fails. The reason is stored in the release, and every reading on
    the chart gets the flag chart-override.

    The release of a chart file is a file in the same folder that contains the chart's hash; it is not signed. For a
    registered chart, the store contains the check standards (`stripread chart check`) and the expiry date
    (`stripread strips set-expiry`), and the release is recorded for the current account.
    """
    now, first = datetime.now(UTC), since.replace(tzinfo=UTC) if since else None
    last = until.replace(hour=23, minute=59, second=59, tzinfo=UTC)
    if last < (first or now):
        raise MismatchError("the release would end before it begins", where="--until", found=f"{last:%Y-%m-%d}",
                            allowed=f"{first or now:%Y-%m-%d} or later")
    source = chart_source(chart)
    made = Release(chart=source.chart.id, state="released", by=source.author(by), when=now, why=why, valid_from=first,
                   valid_until=last, despite=despite.strip(), evidence=source.evidence(ChartOptions(**given)))
    _store(source, gated(made, source.chart), as_json=as_json)


@chart.command(examples=('stripread chart withdraw 2026-A --why "check standard failed on 2031-05-02"',))
@_chart
@_by_option
@_why_option
@json_option
def withdraw(chart: Path, *, by: str | None, why: str, as_json: bool) -> None:
    """Withdraw CHART: later readings on it get the flag chart-withdrawn."""
    source = chart_source(chart)
    _store(source, Release(chart=source.chart.id, state="withdrawn", by=source.author(by), when=datetime.now(UTC),
                           why=why), as_json=as_json)


@chart.command(examples=("stripread chart impact 2026-A", "stripread chart impact --phone phone-1 --json"))
@click.argument("chart", required=False, type=click.Path(path_type=Path))
@click.option("--tube", metavar="TUBE", help="Tube instead of a chart: its ID or a prefix.")
@click.option("--phone", metavar="PHONE", help="Phone instead of a chart: its ID or a prefix.")
@json_option
def impact(chart: Path | None, *, tube: str | None, phone: str | None, as_json: bool) -> None:
    """List what the withdrawal of CHART, a tube or a phone affects; nothing is written.

    The command lists affected readings, verdicts that would change without them, issued reports to amend, and sampling
    points to test again.
    """
    from stripread.cli.show_changes import impact_lines
    from stripread.cli.store import open_store_from_settings
    from stripread.review.withdrawal_impact import MATERIALS, Material, withdrawal_impact
    from stripread.store.lookup import resolve_id

    given: dict[Material, Path | str | None] = {"chart": chart, "tube": tube, "phone": phone}
    named = [(kind, name) for kind, name in given.items() if name is not None]
    if len(named) != 1:
        raise click.UsageError("name one chart, or one of --tube and --phone")
    (kind, name), = named
    store = open_store_from_settings()
    id_ = chart_source(Path(name)).chart.id if kind == "chart" else resolve_id(store, MATERIALS[kind], str(name))
    impact_ = withdrawal_impact(store, kind, id_)
    echo(msgspec.json.encode(impact_) if as_json else "\n".join(impact_lines(impact_)))


def _store(source: ChartFile | StoredChartSource, made: Release, *, as_json: bool) -> None:
    """Store the statement with the chart and report it."""
    written = source.store_release(made)
    if as_json:
        echo(msgspec.json.encode({"stored_in": written, **msgspec.to_builtins(made)}))
        return
    override = " despite the release gate" if made.despite else ""
    echo("\n".join((f"chart {made.chart} {made.state}{override}, stored in {written}", *(
        f"  missing: {lack}" for lack in (made.shortcomings(source.chart) if made.despite else ())))))


@chart.command(examples=('stripread chart compare 2026-A.json 2026-B.json --allow "hardness=5 mg/L CaCO3"',))
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--allow", multiple=True, metavar="ANALYTE=QUANTITY",
              help='Largest irrelevant shift, such as "hardness=5 mg/L CaCO3"; repeatable [default: 5 % of the value '
                   "or 1 % of the range; 0.1 for pH].")
@json_option
def compare(first: Path, second: Path, *, allow: tuple[str, ...], as_json: bool) -> None:
    """Test whether the charts FIRST and SECOND differ, and whether the difference is relevant.

    Shift: the value from SECOND minus the value from FIRST for the same colour.
    """
    from calibration.compare import compare as compare_charts
    from stripread.cli.show_chart import allowed, comparison_json, comparison_lines

    compared = compare_charts(chart_source(first).chart, chart_source(second).chart, allowed=dict(map(allowed, allow)))
    echo(comparison_json(compared) if as_json else "\n".join(line for c in compared for line in comparison_lines(c)))


@chart.command(examples=("stripread chart control --batch 2026-A", "stripread chart control checks.csv -o control.svg"))
@click.argument("checks", required=False, type=click.Path(path_type=Path))
@click.option("--batch", metavar="BATCH", help="Strip batch [default: each batch, the latest first].")
@click.option("--phone", metavar="PHONE", help="Phone whose results are compared with limits from the other phones.")
@click.option("-o", "--output", type=FILE, metavar="FILE.svg", help="Drawing of the control charts to write.")
@click.option("--fail-on", type=click.Choice(list(_CONTROL_FAILS)),
              help="Least severe state that gives exit status 1 [default: none].")
@json_option
def control(checks: Path | None, *, batch: str | None, phone: str | None, output: Path | None, fail_on: str | None,
            as_json: bool) -> int:
    """Show control charts of check standards (ISO 7870).

    CHECKS is a CSV file in order of time [default: the check standards in the store, one run a day]. Its columns: run
    (a day or other set of conditions), standard, each analyte with its unit (hardness [mg/L CaCO3], ph, ...), and
    optionally batch, phone and left_out (the reason for excluding a row). Each strip batch has its own control charts.
    The first 20 runs of a standard set its limits, or the first 10 where earlier batches determine its standard
    deviation; the rules apply to later runs.
    """
    from calibration.control import control_charts, of_phone, read_checks
    from stripread.cli.show_chart import control_json, control_lines

    results = _stored_results() if checks is None else read_checks(checks)
    if batch not in {None, *(r.batch for rs in results.values() for r in rs)}:
        raise MismatchError("no results of this batch", where=f"--batch, {checks or 'the store'}",
                            found=batch or "")
    if phone is not None:
        results = {a: of_phone(r, phone) for a, r in results.items()}
        if not any(r.phone == phone for rs in results.values() for r in rs):
            raise MismatchError("no results of this phone", where=f"--phone, {checks or 'the store'}",
                                found=phone)
    charts = control_charts(results, batch)
    if output is not None:
        from stripread.report.control_plot import write_control_plot

        write_control_plot(output, charts)
    echo(control_json(charts) if as_json else "\n".join(line for c in charts for line in control_lines(c)))
    return NO_RESULT if fail_on and any(c.state in _CONTROL_FAILS[fail_on] for c in charts) else DONE


def _stored_results() -> dict[str, list[CheckResult]]:
    from stripread.cli.store import open_store_from_settings
    from stripread.intake.standards import for_control

    store = open_store_from_settings()
    results = for_control(store)
    if not results:
        raise MismatchError("the store contains no check standards", where=store.where,
                            remedy="add some with `stripread chart check BATCH TABLE.csv`, or name a file of results")
    return results
