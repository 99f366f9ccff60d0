"""``stripread calibrate``: photographs of a batch in standard solutions to a chart."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from calibration.chart import Chart, save_chart
from shared.card import default_card, read_card
from shared.profile import read_profile
from shared.strip import default_strip, read_strip
from stripread.api import calibrate_material
from stripread.cli.main import complain
from stripread.cli.progress import with_progress
from stripread.reading.calibrate import Material


@click.command()
@click.argument("standards", type=click.Path(path_type=Path))
@click.option("--profile", required=True, type=click.Path(path_type=Path),
              help="Measured profile of the print run of the card in the photographs (CGATS.17).")
@click.option("--batch", required=True, help="Name of the strip batch, as printed on the tube.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="The chart to write.")
@click.option("--card", type=click.Path(path_type=Path), help="Card layout (JSON), if not the default card.")
@click.option("--strip", type=click.Path(path_type=Path), help="Strip type (JSON), if not the default strip.")
@click.option("--json", "as_json", is_flag=True, help="The table as JSON.")
def calibrate(standards: Path, profile: Path, batch: str, output: Path, *, card: Path | None,
              strip: Path | None, as_json: bool) -> None:
    """Fit the chart of a strip batch from the photographs listed in STANDARDS, a CSV file.

    Its columns: photo (relative to the file), standard, role (standard or check), light, and for each analyte
    the certified value and its standard uncertainty with the unit in the header.
    """
    material = Material(card=read_card(card) if card else default_card(),
                        strip=read_strip(strip) if strip else default_strip(),
                        profile=read_profile(profile), table=standards, batch=batch)
    chart = calibrate_material(material, lambda rows: with_progress(rows, "Reading standards"))
    for photo in chart.conditions.excluded:
        complain(f"{photo.photo} is left out: {photo.why}")
    save_chart(chart, output)
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode({c.analyte: c.levels for c in chart.curves}))
    else:
        click.echo("\n".join((*table(chart), "", f"chart {chart.id} written to {output}")))


def table(chart: Chart) -> Iterator[str]:
    """For each analyte and level: strips, CIELAB, repeatability and fit residual (CIELAB units)."""
    for curve in chart.curves:
        yield f"{curve.analyte} [{curve.unit}]"
        yield f"{'level':>10} {'n':>4} {'L*':>7} {'a*':>7} {'b*':>7} {'repeat.':>8} {'residual':>9}"
        for level in curve.levels:
            colour = " ".join(f"{v:7.2f}" for v in level.lab)
            yield f"{level.value:10g} {level.n:4d} {colour} {level.repeatability:8.2f} {level.residual:9.2f}"
