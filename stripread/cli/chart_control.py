"""``stripread chart control``: control charts of check standards."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from calibration.control import CheckResult, ControlChart, control_chart, of_phone, read_checks
from calibration.westgard import RULES
from shared.analytes import ANALYTES
from shared.errors import MismatchError
from shared.rounding import significant
from stripread.cli.main import DONE, SOME_REFUSED, echo


@click.command()
@click.argument("checks", required=False, type=click.Path(path_type=Path))
@click.option("--phone", help="Judge this phone's results against limits from the other phones' runs.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Draw the charts as SVG.")
@click.option("--fail-on", type=click.Choice(["warning", "out-of-control"]),
              help="Exit status 1 when a chart is in this state or a worse one.")
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
def control(checks: Path | None, *, phone: str | None, output: Path | None, fail_on: str | None, as_json: bool) -> int:
    """Control charts of the check standards in CHECKS, a CSV file in the order of time, or of those in the records.

    Its columns: run (a day, or whatever was done under one set of conditions), standard, each analyte with its
    unit (hardness [mg/L CaCO3], ph, ...), and if wanted phone and left_out (why a row does not count). Without
    CHECKS: those that `stripread records check` kept, a day a run. The first 20 runs of a standard set its limits;
    the rules speak of what follows.
    """
    results = _kept() if checks is None else read_checks(checks)
    source = "the records" if checks is None else str(checks)
    if phone is not None:
        results = {a: of_phone(r, phone) for a, r in results.items()}
        if not any(r.phone == phone for rs in results.values() for r in rs):
            raise MismatchError("no result was taken with this phone", where=f"--phone, {source}", found=phone)
    charts = [control_chart(analyte, r) for analyte, r in results.items()]
    if output is not None:
        from stripread.report.control_plot import write_control_plot

        write_control_plot(output, charts)
    if as_json:
        import msgspec

        echo(msgspec.json.encode([{**msgspec.to_builtins(c), "state": c.state} for c in charts]))
    else:
        echo("\n".join(line for c in charts for line in _control_lines(c)))
    failing = {"warning": {"warning", "out of control"}, "out-of-control": {"out of control"}}
    return SOME_REFUSED if fail_on and any(c.state in failing[fail_on] for c in charts) else DONE


def _kept() -> dict[str, list[CheckResult]]:
    from stripread.cli.records.store import open_store_from_settings
    from stripread.intake.check_standards import for_control

    store = open_store_from_settings()
    found = for_control(store)
    if not found:
        raise MismatchError("no check standard is kept", where=store.where,
                            remedy="keep some with `stripread records check TABLE.csv`, or name a file of results")
    return found


def _control_lines(chart: ControlChart) -> Iterator[str]:
    unit = ANALYTES[chart.analyte].unit
    yield f"{chart.analyte}: {chart.state}"
    for standard, limit in chart.limits.items():
        mean, s = significant(limit.mean, 4), significant(limit.s, 2)
        yield f"  {standard}: mean {mean}, s {s} {unit}, from {limit.runs} runs"
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
