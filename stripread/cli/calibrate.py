"""``stripread calibrate``: photographs of a batch in standard solutions to a chart."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from calibration.chart import Chart, Excluded, save_chart
from calibration.curve import Curve
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
@click.option("--without", "without", multiple=True, metavar="PHOTO",
              help="Leave a photograph out of the fit; the chart keeps its name and the reason.")
@click.option("--why", multiple=True, metavar="TEXT", help="The reason, once for each --without.")
@click.option("--json", "as_json", is_flag=True, help="The table as JSON.")
def calibrate(standards: Path, profile: Path, batch: str, output: Path, *, card: Path | None, strip: Path | None,
              without: tuple[str, ...], why: tuple[str, ...], as_json: bool) -> None:
    """Fit the chart of a strip batch from the photographs listed in STANDARDS, a CSV file.

    Its columns: photo (relative to the file), standard, role (standard or check), light, and for each analyte
    the certified value and its standard uncertainty with the unit in the header.
    """
    material = Material(card=read_card(card) if card else default_card(),
                        strip=read_strip(strip) if strip else default_strip(),
                        profile=read_profile(profile), table=standards, batch=batch)
    if len(without) != len(why):
        raise click.UsageError(f"every --without needs its --why: {len(without)} photographs, {len(why)} reasons")
    out = [Excluded(photo=name, why=reason) for name, reason in zip(without, why, strict=True)]
    chart = calibrate_material(material, lambda rows: with_progress(rows, "Reading standards"), out)
    for photo in chart.conditions.excluded:
        complain(f"{photo.photo} is left out: {photo.why}")
    save_chart(chart, output)
    if as_json:
        import msgspec

        told = [{"analyte": c.analyte, "unit": c.unit, "scale": c.scale, "tried": c.tried, "levels": c.levels,
                 "lights": c.lights, "warnings": c.warnings} for c in chart.curves]
        click.echo(msgspec.json.encode({"chart": chart.id, "curves": told, "suspects": chart.suspects,
                                        "excluded": chart.conditions.excluded}))
    else:
        click.echo("\n".join(table(chart)))
        click.echo(f"chart {chart.id} written to {output}\nIt is a draft until its check standards have passed and it "
                   "is released: stripread chart check, stripread chart release")


def table(chart: Chart) -> Iterator[str]:
    """For each analyte its levels, its scale, what leaving out lights says, and what is doubtful."""
    for curve in chart.curves:
        yield f"{curve.analyte} [{curve.unit}]"
        yield f"{'level':>10} {'n':>4} {'L*':>7} {'a*':>7} {'b*':>7} {'repeat.':>8} {'residual':>9} {'left out':>9}"
        for level in curve.levels:
            colour = " ".join(f"{v:7.2f}" for v in level.lab)
            left_out = "" if level.left_out is None else f"{level.left_out:+9.3g}"
            yield (f"{level.value:10g} {level.n:4d} {colour} {level.repeatability:8.2f} {level.residual:9.2f} "
                   f"{left_out}".rstrip())
        yield f"  scale: {_scales(curve)}"
        yield from (f"  without {v.light}: {v.covered} of its {v.n} photographs within their intervals, "
                    f"root mean square error {v.rms:.3g} {curve.unit}" for v in curve.lights)
        yield from (f"  ! {warning}" for warning in curve.warnings)
        yield from (f"  ? {s.photo} at {s.value:g}: {s.verdict} by {s.rule}, {s.statistic:.2f}; kept. Where there is a "
                    "reason, leave it out: --without, --why" for s in chart.suspects if s.analyte == curve.analyte)
        yield ""


def _scales(curve: Curve) -> str:
    """The scale chosen, and the density of left-out levels on it and on the runner-up."""
    named = [f"{t.scale.form} ({t.left_out:.2f})" for t in curve.tried]
    return f"{named[0]} by the log density of left-out levels, against {', '.join(named[1:])}"
