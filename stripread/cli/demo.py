"""``stripread demo``: from standards to reports on the sample photographs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from assess.equipment import DEFAULT_EQUIPMENT
from calibration.chart import Chart, save_chart
from shared.card import default_card
from shared.errors import FileError
from shared.profile import read_profile
from shared.strip import default_strip
from stripread.cli.commands import ExampleCommand
from stripread.cli.output import echo, echo_verdicts
from stripread.cli.progress import with_progress
from stripread.cli.reader import BatchReader
from stripread.cli.reporting import Report
from stripread.reading.calibrate import Material, calibrate_material
from stripread.reading.photo_file import load_photo
from stripread.report.overlay import write_overlay
from stripread.report.page import ReadingSheet
from stripread.report.text import cells

#: The fictitious sites and their water.
SITES = {"harbour-kiosk": "water that suits the machine", "limestone-hill": "hard, scaling water",
         "salt-quay": "water high in chloride"}


@click.command(cls=ExampleCommand, examples=("stripread demo", "stripread demo --out my-demo"))
@click.option("--samples", default="sample_images", show_default=True, metavar="FOLDER",
              type=click.Path(path_type=Path), help="Folder of the sample photographs, part of the source.")
@click.option("--out", default="demo-out", show_default=True, metavar="FOLDER",
              type=click.Path(file_okay=False, path_type=Path), help="Folder for chart, reports and drawings.")
def demo(samples: Path, out: Path) -> int:
    """Run the whole way from standards to reports on sample photographs.

    It calibrates a fictitious strip batch, measures strips of three fictitious sites, assesses their water and writes
    reports. The photographs are computer-generated: they prove nothing about real strips.
    """
    _check_samples(samples)
    out.mkdir(parents=True, exist_ok=True)
    echo("Calibrating the fictitious strip batch from its standards ...")
    chart = _calibrated(samples)
    save_chart(chart, out / "chart.json")
    echo(f"  {chart.conditions.photographs} photographs under {', '.join(chart.conditions.lights)}: "
               f"{out / 'chart.json'}")
    reader = BatchReader(chart, [read_profile(samples / "card-run-007.txt")])
    for reading, path in reader.each([samples / "sites" / f"{name}.jpg" for name in SITES]):
        name, photo = path.stem, load_photo(path)
        page = Report(chart, DEFAULT_EQUIPMENT)
        page.add(reading, photo)
        page.write(out / f"{name}.html")
        write_overlay(photo, reading, path=out / f"{name}.png")
        echo_verdicts("\n".join(_site_lines(page.sheets[0])))
        echo(f"  report  {out / name}.html\n  drawing {out / name}.png")
    return reader.status


def _check_samples(samples: Path) -> None:
    if not (samples / "standards" / "standards.csv").is_file():
        raise FileError("the sample photographs are missing", where=str(samples), found="no standards/standards.csv",
                        remedy="run this inside the source folder, or name its sample_images with --samples")


def _calibrated(samples: Path) -> Chart:
    material = Material(card=default_card(), strip=default_strip(), profile=read_profile(samples / "card-run-007.txt"),
                        table=samples / "standards" / "standards.csv", batch="demo")
    return calibrate_material(material, lambda rows: with_progress(rows, "Evaluating standards")).chart


def _site_lines(sheet: ReadingSheet) -> Iterator[str]:
    """Yield the site, values, verdicts and the next step."""
    name = Path(sheet.reading.photo).stem
    yield f"\n{name} (fictitious): {SITES[name]}"
    yield from (f"  {cells(pad).sentence}" for pad in sheet.reading.pads)
    if sheet.judged is None:
        yield f"  {sheet.reading.reason or sheet.unjudged}"
        return
    yield from (f"  {headline.words}" for headline in sheet.judged.headlines)
    yield f"  Next: {sheet.judged.assessment.plan.next_step}"
