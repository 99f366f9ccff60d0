"""``stripread chart check``: solutions and waters of known content, read on a chart that was not fitted to them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from calibration.agreement import agreement, by_sample
from calibration.chart import load_chart
from calibration.checks import DEFAULT_RULE, Check, CheckRule, Pair
from shared.analytes import ANALYTES
from stripread.cli.checking import read_checks
from stripread.cli.main import DONE, SOME_REFUSED, echo
from stripread.report.merit_text import agreement_lines, check_lines


@click.command()
@click.argument("chart", type=click.Path(path_type=Path))
@click.argument("table", type=click.Path(path_type=Path))
@click.option("--profile", multiple=True, type=click.Path(path_type=Path),
              help="Measured profile of the card's print run (CGATS.17); repeat it where runs differ.")
@click.option("--waters", is_flag=True,
              help="The rows are real waters with reference values: tell bias, agreement and the strip's own error.")
@click.option("--zeta", type=click.FloatRange(min=0.0, min_open=True), default=DEFAULT_RULE.fail_zeta,
              show_default=True, help="A zeta score beyond this fails.")
@click.option("--deviation", type=click.FloatRange(min=0.0, min_open=True), default=DEFAULT_RULE.relative,
              show_default=True,
              help="A deviation beyond this share of the known value, and beyond a tenth of the range, fails.")
@click.option("--fail-on", type=click.Choice(["warning", "fail"]),
              help="Exit status 1 when a check comes to this or worse.")
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
def check(chart: Path, table: Path, profile: tuple[Path, ...], *, waters: bool, zeta: float, deviation: float,
          fail_on: str | None, as_json: bool) -> int:
    """Read the check standards of TABLE on CHART and evaluate them.

    TABLE is a standards table; the rows with role check are read. They took no part in the fit. `stripread chart
    release` releases a chart whose check standards pass the release gate.
    """
    from stripread.reading.strangers import judged

    loaded = load_chart(chart)
    pairs = read_checks(table, loaded, profile)
    if waters:
        _tell_waters(pairs, as_json=as_json)
        return DONE
    rule = CheckRule(fail_zeta=zeta, warn_zeta=min(DEFAULT_RULE.warn_zeta, zeta), relative=deviation)
    checked = judged(pairs, loaded, rule=rule)
    _tell_checks(checked, as_json=as_json)
    failing = {"warning": {"warning", "fail"}, "fail": {"fail"}, None: set[str]()}[fail_on]
    return SOME_REFUSED if any(c.verdict in failing for c in checked) else DONE


def _tell_checks(checked: Sequence[Check], *, as_json: bool) -> None:
    if as_json:
        import msgspec

        echo(msgspec.json.encode(checked))
        return
    echo("\n".join(check_lines(checked)))


def _tell_waters(pairs: Sequence[Pair], *, as_json: bool) -> None:
    waters = {a: by_sample([p for p in pairs if p.read.analyte == a]) for a in ANALYTES}
    if as_json:
        import msgspec

        echo(msgspec.json.encode({a: agreement(own) for a, own in waters.items() if own}))
        return
    for analyte, own in waters.items():
        if own:
            echo("\n".join(agreement_lines(analyte, own)))
