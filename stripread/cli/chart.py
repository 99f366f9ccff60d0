"""``stripread chart``: what a chart is, who vouches for it, and whether it still holds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import click

from calibration.chart import Chart
from calibration.release import Release, state_of
from shared.errors import MismatchError
from shared.flags import FLAGS
from stripread.cli.chart_check import check
from stripread.cli.chart_compare import compare
from stripread.cli.chart_control import control
from stripread.cli.chart_source import ChartFile, KeptChart, chart_source
from stripread.report.light_text import light_lines

_chart_argument = click.argument("chart", type=click.Path(path_type=Path))
_json_option = click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
_who_option = click.option("--who", help="Who says so, for a chart in a file: a name, or an id that leads to one.")
_why_option = click.option("--why", required=True, help="On what grounds.")


@click.group()
def chart() -> None:
    """Charts of strip batches: show, check, release, withdraw, compare; control charts of check standards."""


for command in (check, compare, control):
    chart.add_command(command)


@chart.command()
@_chart_argument
@_json_option
def show(chart: Path, *, as_json: bool) -> None:
    """What CHART holds, what it was made from, and the state that its releases give it.

    CHART is a file, with its release files beside it (NAME.release-....json beside NAME.json), or one in the records,
    named by its batch or by the beginning of its hash.
    """
    source = chart_source(chart)
    loaded, releases = source.chart, source.releases()
    state = state_of(loaded.id, releases, now=datetime.now(UTC))
    mine = tuple(r for r in releases if r.chart == loaded.id)
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode({
            "id": loaded.id, "batch": loaded.batch, "state": state[0] if state else "released", "releases": mine,
            "conditions": loaded.conditions,
            "ranges": {c.analyte: (c.scale.low, c.scale.high, c.unit) for c in loaded.curves}}))
        return
    click.echo("\n".join((*_told(loaded), *_states(state, mine))))


def _told(chart: Chart) -> Iterator[str]:
    made = chart.conditions
    yield f"chart {chart.id}"
    yield f"  strip batch {chart.batch}, {chart.strip.name}"
    yield (f"  made {made.made} by {made.software} from {made.photographs} photographs under {', '.join(made.lights)}, "
           f"print run {made.print_run} of {chart.card.name}")
    for photo in made.excluded:
        yield f"  left out: {photo.photo}. {photo.why}"
    for curve in chart.curves:
        yield (f"  {curve.analyte:12} {curve.scale.low:g} to {curve.scale.high:g} {curve.unit}, "
               f"{len(curve.levels)} levels")
        yield from (f"  ! {warning}" for warning in curve.warnings)
    yield from (f"  {line}" for line in light_lines(chart))


def _states(state: tuple[str, ...], releases: tuple[Release, ...]) -> Iterator[str]:
    for r in releases:
        until = f", valid {r.starts:%Y-%m-%d} to {r.valid_until:%Y-%m-%d}" if r.valid_until else ""
        yield f"  {r.state} on {r.when:%Y-%m-%d} by {r.who}{until}: {r.why}"
    yield from (f"  ! {flag}: {FLAGS[flag].words}" for flag in state)
    if not state:
        yield "  released"


@chart.command()
@_chart_argument
@_who_option
@_why_option
@click.option("--until", required=True, type=click.DateTime(["%Y-%m-%d"]),
              help="Last day on which it holds (UTC); not beyond the strips' own expiry.")
@click.option("--from", "since", type=click.DateTime(["%Y-%m-%d"]),
              help="First day on which it holds; now if not given.")
@_json_option
def release(chart: Path, *, who: str | None, why: str, until: datetime, since: datetime | None, as_json: bool) -> None:
    """Release CHART for use: readings made with it no longer carry a flag until the day given.

    Do so after its check standards have passed. The release of a chart in a file is a file beside it that names the
    chart's hash: a statement, not cryptography. That of a chart in the records is a record by the account that acts.
    """
    now, first = datetime.now(UTC), since.replace(tzinfo=UTC) if since else None
    last = until.replace(hour=23, minute=59, second=59, tzinfo=UTC)
    if last < (first or now):
        raise MismatchError("the release would end before it begins", where="--until", found=f"{last:%Y-%m-%d}",
                            allowed=f"{first or now:%Y-%m-%d} or later")
    source = chart_source(chart)
    _state(source, Release(chart=source.chart.id, state="released", who=source.who(who), when=now, why=why,
                           valid_from=first, valid_until=last), as_json=as_json)


@chart.command()
@_chart_argument
@_who_option
@_why_option
@_json_option
def withdraw(chart: Path, *, who: str | None, why: str, as_json: bool) -> None:
    """Withdraw CHART: every later reading made with it says so."""
    source = chart_source(chart)
    _state(source, Release(chart=source.chart.id, state="withdrawn", who=source.who(who), when=datetime.now(UTC),
                           why=why), as_json=as_json)


def _state(source: ChartFile | KeptChart, said: Release, *, as_json: bool) -> None:
    """Keep the statement with the chart and say so."""
    written = source.say(said)
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode({"kept_in": written, **msgspec.to_builtins(said)}))
    else:
        click.echo(f"chart {said.chart} {said.state}, kept in {written}")
