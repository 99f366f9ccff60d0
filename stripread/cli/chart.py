"""``stripread chart``: what a chart is, who vouches for it, and whether it still holds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import click

from calibration.chart import Chart, load_chart
from calibration.compare import Comparison
from calibration.control import ControlChart
from calibration.release import Release, releases_beside, save_release, state_of
from shared.analytes import ANALYTES
from shared.errors import MismatchError
from shared.flags import FLAGS
from stripread.cli.main import DONE, SOME_REFUSED

_chart_argument = click.argument("chart", type=click.Path(path_type=Path))
_json_option = click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
_who_option = click.option("--who", required=True, help="Who says so: a name, or an id that leads to one.")
_why_option = click.option("--why", required=True, help="On what grounds.")


@click.group()
def chart() -> None:
    """Charts of strip batches: show, release, withdraw, compare; control charts of check standards."""


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


@chart.command()
@click.argument("checks", type=click.Path(path_type=Path))
@click.option("--phone", help="Judge this phone's results against limits from the other phones' runs.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Draw the charts as SVG.")
@click.option("--fail-on", type=click.Choice(["warning", "out-of-control"]),
              help="Exit status 1 when a chart is in this state or a worse one.")
@_json_option
def control(checks: Path, *, phone: str | None, output: Path | None, fail_on: str | None, as_json: bool) -> int:
    """Control charts of the check standards in CHECKS, a CSV file in the order of time.

    Its columns: run (a day, or whatever was done under one set of conditions), standard, each analyte with its
    unit (hardness [mg/L CaCO3], ph, ...), and if wanted phone and left_out (why a row does not count). The
    first 20 runs of a standard set its limits; the rules speak of what follows.
    """
    from calibration.control import control_chart, of_phone, read_checks

    results = read_checks(checks)
    if phone is not None:
        results = {a: of_phone(r, phone) for a, r in results.items()}
        if not any(r.phone == phone for rs in results.values() for r in rs):
            raise MismatchError("no result was taken with this phone", where=f"--phone, {checks}", found=phone)
    charts = [control_chart(analyte, r) for analyte, r in results.items()]
    if output is not None:
        from stripread.report.control_plot import write_control_plot

        write_control_plot(output, charts)
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode([{**msgspec.to_builtins(c), "state": c.state} for c in charts]))
    else:
        click.echo("\n".join(line for c in charts for line in _control_lines(c)))
    failing = {"warning": {"warning", "out of control"}, "out-of-control": {"out of control"}}
    return SOME_REFUSED if fail_on and any(c.state in failing[fail_on] for c in charts) else DONE


def _control_lines(chart: ControlChart) -> Iterator[str]:
    from calibration.westgard import RULES

    unit = ANALYTES[chart.analyte].unit
    yield f"{chart.analyte}: {chart.state}"
    for standard, limit in chart.limits.items():
        yield f"  {standard}: mean {limit.mean:.4g}, s {limit.s:.2g} {unit}, from {limit.runs} runs"
    for standard, why in chart.waiting.items():
        yield f"  {standard}: no limits, {why}"
    for result in chart.left_out:
        yield f"  left out: run {result.run}, {result.standard} {result.value:g}. {result.left_out}"
    for i, rules in chart.completed.items():
        point, result = chart.points[i], chart.points[i].result
        where = " (in the baseline)" if point.baseline else ""
        yield f"  ! run {result.run}, {result.standard} {result.value:g} ({point.z:+.1f} s): {' '.join(rules)}{where}"
    for rule in RULES.values():
        if any(rule.id in rules for rules in chart.completed.values()):
            yield f"  {rule.id}: {rule.says}. Usually {rule.usually}."


@chart.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--allow", multiple=True, metavar="ANALYTE=QUANTITY",
              help="Largest shift that does not matter, as hardness='5 mg/L CaCO3'; repeat it for others. "
                   "Where none is given: 5 % of the value or 1 % of the range; 0.1 for pH.")
@_json_option
def compare(first: Path, second: Path, *, allow: tuple[str, ...], as_json: bool) -> None:
    """Whether the charts FIRST and SECOND differ, and whether that matters.

    The shift is what SECOND would say more of a colour that FIRST gives the value on the left.
    """
    from calibration.compare import compare as compare_charts

    compared = compare_charts(load_chart(first), load_chart(second), allowed=dict(map(_allowed, allow)))
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode([
            {**msgspec.to_builtins(c), "p": c.p, "real": c.real, "matters": c.matters} for c in compared]))
    else:
        click.echo("\n".join(line for c in compared for line in _comparison_lines(c)))


def _allowed(text: str) -> tuple[str, float]:
    from shared.quantities import read_quantity

    analyte, _, quantity = text.partition("=")
    return analyte, read_quantity(quantity, analyte, where="--allow")


def _comparison_lines(compared: Comparison) -> Iterator[str]:
    verdict = ("they differ, and it matters" if compared.matters else "they differ, too little to matter"
               if compared.real else "no difference beyond what their standards leave open")
    yield f"{compared.analyte} [{compared.unit}]: {verdict} (probability that it is chance: {compared.p:.2g})"
    yield f"{'value':>10} {'shift':>9} {'u':>8} {'dE00':>6} {'allowed':>8}"
    for d in compared.levels:
        yield (f"{d.value:10g} {d.shift:+9.3g} {d.u:8.2g} {d.delta_e:6.2f} {d.allowed:8.2g}"
               f"{'  matters' if compared.real and d.matters else ''}")
