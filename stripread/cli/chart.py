"""``stripread chart``: what a chart contains, who released it, and whether the release is valid."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import click

from calibration.chart import Chart
from calibration.release import Release, state_of
from shared.flags import FLAGS
from stripread.cli.chart_check import check
from stripread.cli.chart_compare import compare
from stripread.cli.chart_control import control
from stripread.cli.chart_release import release, withdraw
from stripread.cli.chart_source import chart_source
from stripread.cli.lazy import SuggestingGroup
from stripread.cli.main import echo
from stripread.report.light_text import light_lines


@click.group(cls=SuggestingGroup)
def chart() -> None:
    """Charts of strip batches: show, check, release, withdraw, compare; control charts of check standards."""


for command in (check, compare, control, release, withdraw):
    chart.add_command(command)


@chart.command()
@click.argument("chart", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
def show(chart: Path, *, as_json: bool) -> None:
    """Show what CHART contains, what it was made from, and its state.

    CHART is a file with its release files in the same folder (NAME.release-....json for NAME.json), or a chart in the
    records, named by its batch or by the beginning of its hash.
    """
    source = chart_source(chart)
    loaded, releases = source.chart, source.releases()
    state = state_of(loaded.id, releases, now=datetime.now(UTC))
    mine = tuple(r for r in releases if r.chart == loaded.id)
    if as_json:
        import msgspec

        echo(msgspec.json.encode({
            "id": loaded.id, "batch": loaded.batch, "state": state[0] if state else "released", "releases": mine,
            "conditions": loaded.conditions,
            "ranges": {c.analyte: (c.scale.low, c.scale.high, c.unit) for c in loaded.curves}}))
        return
    echo("\n".join((*_told(loaded), *_states(loaded, state, mine))))


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


def _states(chart: Chart, state: tuple[str, ...], releases: tuple[Release, ...]) -> Iterator[str]:
    for r in releases:
        until = f", valid {r.starts:%Y-%m-%d} to {r.valid_until:%Y-%m-%d}" if r.valid_until else ""
        yield f"  {r.state} on {r.when:%Y-%m-%d} by {r.who}{until}: {r.why}"
        if r.despite:
            yield f"    override of the release gate: {r.despite}"
            yield from (f"    missing: {lack}" for lack in r.shortcomings(chart))
    yield from (f"  ! {flag}: {FLAGS[flag].words}" for flag in state)
    if not state:
        yield "  released"
