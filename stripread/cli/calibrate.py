"""``stripread calibrate``: the calibration chart of a strip batch from photographs of standards."""

from __future__ import annotations

from pathlib import Path

import click

from calibration.chart import ExcludedPhotograph, save_chart
from shared.card import default_card, read_card
from shared.profile import read_profile
from shared.strip import default_strip, read_strip
from stripread.cli.commands import ExampleCommand
from stripread.cli.options import FILE, REASON, cluster_option, cluster_or_serial, for_workers, json_option
from stripread.cli.output import DONE, NO_RESULT, echo, echo_error, with_progress
from stripread.cli.show_chart import calibration_json, calibration_lines, detail_lines
from stripread.reading.calibrate import Material, calibrate_material, judge, read_check_samples
from stripread.reading.read import ReadingSetup


@click.command(cls=ExampleCommand, examples=(
    "stripread calibrate standards.csv --profile card-run-007.txt --batch 2026-A -o 2026-A.json",
    ('stripread calibrate standards.csv --profile card-run-007.txt --batch 2026-A -o 2026-A.json --without b3.jpg '
    '--why "strip lay face down"')))
@click.argument("standards", type=click.Path(path_type=Path))
@click.option("--profile", required=True, type=click.Path(path_type=Path), metavar="FILE",
              help="Card profile of the print run in the photographs (CGATS.17).")
@click.option("--batch", required=True, metavar="BATCH", help="Strip batch, as printed on the tube.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), metavar="FILE.json",
              help="Calibration chart to write.")
@click.option("--card", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Card layout [default: the supplied card].")
@click.option("--strip", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Strip type [default: the supplied type].")
@click.option("--without", "without", multiple=True, metavar="PHOTO",
              help="Photograph to exclude from the fit; repeatable. The chart records it with the reason.")
@click.option("--why", type=REASON, multiple=True, metavar="TEXT", help="Reason, once for each --without.")
@click.option("--details", is_flag=True, help="Levels, residuals, lights, uncertainty and check standards in full.")
@click.option("--report", type=FILE, metavar="FILE.html",
              help="HTML page to write with curves, residuals, figures of merit and check standards.")
@cluster_option
@json_option
def calibrate(standards: Path, profile: Path, batch: str, output: Path, *, card: Path | None, strip: Path | None,
              without: tuple[str, ...], why: tuple[str, ...], report: Path | None, details: bool, cluster: str | None,
              as_json: bool) -> int:
    """Fit the calibration chart of a strip batch from photographs of standards.

    STANDARDS is a CSV file with the columns photo (path relative to the file), standard, role (standard or check),
    light, and for each analyte the reference value and its standard uncertainty with the unit in the header. Rows with
    role check are not used in the fit; they are evaluated on the chart afterwards. Exit status 1: a check standard
    failed, or a photograph was excluded or had no result.
    """
    executor = cluster_or_serial(cluster)
    material = Material(card=read_card(card) if card else default_card(),
                        strip=read_strip(strip) if strip else default_strip(),
                        profile=read_profile(profile), table=for_workers(standards, executor), batch=batch)
    if len(without) != len(why):
        raise click.UsageError(f"every --without needs a --why: {len(without)} photographs, {len(why)} reasons")
    out = [ExcludedPhotograph(photo=name, why=reason) for name, reason in zip(without, why, strict=True)]
    made = calibrate_material(material, lambda rows: with_progress(rows, "Evaluating standards"), out, executor)
    for photo in made.chart.conditions.excluded:
        echo_error(f"{photo.photo} is excluded: {photo.why}")
    save_chart(made.chart, output)
    pairs, missing = read_check_samples(
        made.checks, ReadingSetup(made.chart, (material.profile,)),
        lambda rows: with_progress(rows, "Evaluating check standards"), executor)
    unread = [u for u in missing if made.chart.curve(u.analyte) is not None]
    checked = judge(pairs, made.chart)
    if report is not None:
        from stripread.report.chart_page import write_chart_report

        write_chart_report(report, made, checked, unread)
    if as_json:
        echo(calibration_json(made, checked, unread))
    else:
        echo("\n".join(calibration_lines(made, checked, unread, output)))
        if details:
            echo("\n".join(detail_lines(made, checked, unread)))
    lost = {photo.photo for photo in made.chart.conditions.excluded} - set(without)
    return NO_RESULT if lost or unread or any(c.verdict == "fail" for c in checked) else DONE
