"""``stripread calibrate``: photographs of a batch in standard solutions to a chart."""

from __future__ import annotations

from pathlib import Path

import click

from calibration.chart import Excluded, save_chart
from shared.card import default_card, read_card
from shared.profile import read_profile
from shared.strip import default_strip, read_strip
from stripread.cli.main import DONE, SOME_REFUSED, echo, echo_error
from stripread.cli.progress import with_progress
from stripread.cli.show_calibration import as_json as told_as_json
from stripread.cli.show_calibration import as_text as told_as_text
from stripread.reading.calibrate import Material, calibrate_material
from stripread.reading.strangers import judged, read_strangers


@click.command()
@click.argument("standards", type=click.Path(path_type=Path))
@click.option("--profile", required=True, type=click.Path(path_type=Path),
              help="Measured profile of the print run of the card in the photographs (CGATS.17).")
@click.option("--batch", required=True, help="Name of the strip batch, as printed on the tube.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="The chart to write.")
@click.option("--card", type=click.Path(path_type=Path), help="Card layout (JSON), if not the default card.")
@click.option("--strip", type=click.Path(path_type=Path), help="Strip type (JSON), if not the default strip.")
@click.option("--without", "without", multiple=True, metavar="PHOTO",
              help="Leave a photograph out of the fit; the chart keeps its name and the reason.")
@click.option("--why", multiple=True, metavar="TEXT", help="The reason, once for each --without.")
@click.option("--report", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="Write one page with curves, residuals, pads, figures of merit and check standards.")
@click.option("--json", "as_json", is_flag=True, help="The table as JSON.")
def calibrate(standards: Path, profile: Path, batch: str, output: Path, *, card: Path | None, strip: Path | None,
              without: tuple[str, ...], why: tuple[str, ...], report: Path | None, as_json: bool) -> int:
    """Fit the chart of a strip batch from the photographs listed in STANDARDS, a CSV file.

    Its columns: photo (relative to the file), standard, role (standard or check), light, and for each analyte
    the certified value and its standard uncertainty with the unit in the header. Rows of role check take no part
    in the fit and are read on the chart afterwards.
    """
    material = Material(card=read_card(card) if card else default_card(),
                        strip=read_strip(strip) if strip else default_strip(),
                        profile=read_profile(profile), table=standards, batch=batch)
    if len(without) != len(why):
        raise click.UsageError(f"every --without needs its --why: {len(without)} photographs, {len(why)} reasons")
    out = [Excluded(photo=name, why=reason) for name, reason in zip(without, why, strict=True)]
    made = calibrate_material(material, lambda rows: with_progress(rows, "Reading standards"), out)
    for photo in made.chart.conditions.excluded:
        echo_error(f"{photo.photo} is left out: {photo.why}")
    save_chart(made.chart, output)
    pairs, missing = read_strangers(with_progress(made.checks, "Reading check standards"), made.chart,
                                    profiles=[material.profile])
    unread = [u for u in missing if made.chart.curve(u.analyte) is not None]
    checked = judged(pairs, made.chart)
    if report is not None:
        from stripread.report.chart_page import write_chart_report

        write_chart_report(report, made, checked, unread)
    if as_json:
        echo(told_as_json(made, checked, unread))
    else:
        echo("\n".join(told_as_text(made, checked, unread)))
        echo(f"chart {made.chart.id} written to {output}\nIt is a draft until its check standards have passed "
                   "and it is released: stripread chart release")
    lost = {photo.photo for photo in made.chart.conditions.excluded} - set(without)
    return SOME_REFUSED if lost or unread else DONE
