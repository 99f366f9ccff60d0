"""``stripread chart``: what a chart is, who vouches for it, and whether it still holds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import click

from calibration.chart import Chart, load_chart
from calibration.release import Release, releases_beside, save_release, state_of
from shared.errors import MismatchError
from shared.flags import FLAGS
from stripread.cli.chart_check import check
from stripread.cli.chart_compare import compare
from stripread.cli.chart_control import control
from stripread.report.light_text import light_lines

_chart_argument = click.argument("chart", type=click.Path(path_type=Path))
_json_option = click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
_who_option = click.option("--who", required=True, help="Who says so: a name, or an id that leads to one.")
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
    """What CHART holds, what it was made from, and the state that its release files give it.

    Release files lie beside the chart: NAME.release-....json beside NAME.json.
    """
    loaded, releases = load_chart(chart), releases_beside(chart)
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
def release(chart: Path, *, who: str, why: str, until: datetime, since: datetime | None, as_json: bool) -> None:
    """Release CHART for use: readings made with it no longer carry a flag until the day given.

    Do so after its check standards have passed. The release is a file beside the chart that names the
    chart's hash: a statement, not cryptography.
    """
    now, first = datetime.now(UTC), since.replace(tzinfo=UTC) if since else None
    last = until.replace(hour=23, minute=59, second=59, tzinfo=UTC)
    if last < (first or now):
        raise MismatchError("the release would end before it begins", where="--until", found=f"{last:%Y-%m-%d}",
                            allowed=f"{first or now:%Y-%m-%d} or later")
    _state(chart, Release(chart=load_chart(chart).id, state="released", who=who, when=now, why=why,
                          valid_from=first, valid_until=last), as_json=as_json)


@chart.command()
@_chart_argument
@_who_option
@_why_option
@_json_option
def withdraw(chart: Path, *, who: str, why: str, as_json: bool) -> None:
    """Withdraw CHART: every later reading made with it says so."""
    _state(chart, Release(chart=load_chart(chart).id, state="withdrawn", who=who, when=datetime.now(UTC), why=why),
           as_json=as_json)


def _state(path: Path, said: Release, *, as_json: bool) -> None:
    """Write the statement beside the chart and say so."""
    written = save_release(said, path)
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode({"file": str(written), **msgspec.to_builtins(said)}))
    else:
        click.echo(f"chart {said.chart} {said.state}; {written} written")
