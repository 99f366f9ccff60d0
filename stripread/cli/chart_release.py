"""``stripread chart release`` and ``withdraw``: statements on a chart, a release only through the release gate."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click
from msgspec.structs import replace

from calibration.release import Release, check_gate
from shared.errors import MismatchError
from stripread.cli.chart_source import ChartFile, Given, KeptChart, chart_source
from stripread.cli.main import echo

_DAY = click.DateTime(["%Y-%m-%d"])
_chart_argument = click.argument("chart", type=click.Path(path_type=Path))
_json_option = click.option("--json", "as_json", is_flag=True, help="Print the statement as JSON.")
_who_option = click.option("--who", help="Who makes the statement, for a chart in a file: a name or an id.")
_why_option = click.option("--why", required=True, help="Grounds of the statement.")


@click.command()
@_chart_argument
@_who_option
@_why_option
@click.option("--until", required=True, type=_DAY, help="Last day of the release (UTC), on or before the expiry date.")
@click.option("--from", "since", type=_DAY, help="First day of the release [default: now].")
@click.option("--checks", "tables", multiple=True, type=click.Path(path_type=Path),
              help="Standards table with check standards, for a chart in a file; may be repeated.")
@click.option("--profile", "profiles", multiple=True, type=click.Path(path_type=Path),
              help="Card profile (CGATS.17) for --checks; may be repeated.")
@click.option("--expires", type=_DAY, help="Expiry date of the strip batch, for a chart in a file.")
@click.option("--despite", metavar="REASON", default="", help="Release the chart although it fails the release gate.")
@_json_option
def release(chart: Path, *, who: str | None, why: str, until: datetime, since: datetime | None, despite: str,
            as_json: bool, tables: tuple[Path, ...], profiles: tuple[Path, ...], expires: datetime | None) -> None:
    """Release CHART for use once its check standards pass the release gate.

    The gate: at least 3 check standards at different levels for each analyte, each photographed under at least 2
    lights, one of them not used in the fit; no more |zeta| > 2 than chance explains (the 99 % point of the binomial
    with p = 0.05) and none above 3.5; an expiry date of the strips that is known and not before --until. Where the
    gate fails, the command lists what is missing.

    With --despite the chart is released although it fails. The reason is stored in the release, and every reading on
    the chart carries the flag chart-override.

    The release of a chart in a file is a file in the same folder that names the chart's hash; it is not signed. For a
    chart in the records, the records contain check standards (`stripread records check`) and expiry date (`stripread
    records batch --expires`), and the account that acts makes the statement.

    Example: stripread chart release 2026-A --why "check standards passed" --until 2031-09-30
    """
    now, first = datetime.now(UTC), since.replace(tzinfo=UTC) if since else None
    last = until.replace(hour=23, minute=59, second=59, tzinfo=UTC)
    if last < (first or now):
        raise MismatchError("the release would end before it begins", where="--until", found=f"{last:%Y-%m-%d}",
                            allowed=f"{first or now:%Y-%m-%d} or later")
    source = chart_source(chart)
    said = Release(chart=source.chart.id, state="released", who=source.who(who), when=now, why=why, valid_from=first,
                   valid_until=last, despite=despite.strip(),
                   evidence=source.evidence(Given(tables, profiles, expires.date() if expires else None)))
    check_gate(said, source.chart)
    _state(source, said if said.shortcomings(source.chart) else replace(said, despite=""), as_json=as_json)


@click.command()
@_chart_argument
@_who_option
@_why_option
@_json_option
def withdraw(chart: Path, *, who: str | None, why: str, as_json: bool) -> None:
    """Withdraw CHART: every later reading on it carries the flag chart-withdrawn."""
    source = chart_source(chart)
    _state(source, Release(chart=source.chart.id, state="withdrawn", who=source.who(who), when=datetime.now(UTC),
                           why=why), as_json=as_json)


def _state(source: ChartFile | KeptChart, said: Release, *, as_json: bool) -> None:
    """Store the statement with the chart and report it."""
    written = source.say(said)
    if as_json:
        import msgspec

        echo(msgspec.json.encode({"kept_in": written, **msgspec.to_builtins(said)}))
        return
    override = " despite the release gate" if said.despite else ""
    echo("\n".join((f"chart {said.chart} {said.state}{override}, stored in {written}", *(
        f"  missing: {lack}" for lack in (said.shortcomings(source.chart) if said.despite else ())))))
