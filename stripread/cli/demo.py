"""``stripread demo``: from standards to reports on rendered photographs, and a sample company with a year of data."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from stripread.cli.commands import ExampleCommand
from stripread.cli.output import DONE, echo, echo_verdicts, with_progress

if TYPE_CHECKING:
    from calibration.chart import Chart
    from stripread.report.page import ReadingSheet
    from stripread.store.settings import Settings

DEFAULT_FOLDER: Final = Path("demo-out")


@click.command(cls=ExampleCommand, examples=("stripread demo", "stripread demo --year --out my-demo"))
@click.option("--year", is_flag=True, help="Build the store of a sample company with a year of data, and its reports; "
                                           "takes about two minutes.")
@click.option("--out", default=DEFAULT_FOLDER, show_default=True, metavar="FOLDER",
              type=click.Path(file_okay=False, path_type=Path), help="Folder for all files that are written.")
def demo(*, year: bool, out: Path) -> int:
    """Run the whole workflow, from standards to reports, on rendered photographs.

    It calibrates a strip batch, measures strips at three sites, assesses their water and writes reports. With --year it
    builds the records of a company with 12 sites over a year. Everything is fictitious, and the photographs are
    computer-generated: they prove nothing about real strips.
    """
    out.mkdir(parents=True, exist_ok=True)
    return _year(out) if year else _tour(out)


def _tour(out: Path) -> int:
    from assess.equipment import DEFAULT_EQUIPMENT
    from calibration.chart import save_chart
    from shared.profile import read_profile
    from stripread.cli.reader import BatchReader, Report
    from stripread.demo.standards import STOPS, site_shots, write_profile, write_shots
    from stripread.reading.photo_file import load_photo
    from stripread.report.overlay import write_overlay

    photographs, now = out / "photographs", datetime.now(UTC)
    chart = _calibrated(out / "standards", now)
    save_chart(chart, out / "chart.json")
    echo(f"  {chart.conditions.photographs} photographs under {', '.join(chart.conditions.lights)}: "
         f"{out / 'chart.json'}")
    reader = BatchReader(chart, [read_profile(write_profile(out))])
    paths = list(write_shots(site_shots(photographs, now)))
    for reading, path in reader.each(paths):
        name, photo = Path(path.name).stem, load_photo(path)
        page = Report(chart, DEFAULT_EQUIPMENT)
        page.add(reading, photo)
        page.write(out / f"{name}.html")
        write_overlay(photo, reading, path=out / f"{name}.png")
        echo_verdicts("\n".join(_site_lines(page.sheets[0], STOPS[name][2])))
        echo(f"  report  {out / name}.html\n  drawing {out / name}.png")
    return reader.status


def _calibrated(folder: Path, now: datetime) -> Chart:
    """Return the chart of the fictitious batch from its standards, photographed into a folder."""
    from shared.card import default_card
    from shared.strip import default_strip
    from stripread.demo.printing import print_profile
    from stripread.demo.standards import BATCH, standard_shots, write_shots, write_table
    from stripread.reading.calibrate import Material, calibrate_material

    echo("Calibrating a fictitious strip batch from its standards ...")
    taken = list(standard_shots(folder, BATCH, now))
    rendering = write_shots([one for one, _ in taken])
    for _ in with_progress(taken, "Rendering the standards"):
        next(rendering)
    material = Material(default_card(), default_strip(), print_profile(), write_table(folder, taken), BATCH)
    return calibrate_material(material, lambda rows: with_progress(rows, "Evaluating standards")).chart


def _site_lines(sheet: ReadingSheet, about: str) -> Iterator[str]:
    """Yield the site, values, verdicts and the next step."""
    from stripread.report.text import cells

    yield f"\n{Path(sheet.reading.photo).stem} (fictitious): {about}"
    yield from (f"  {cells(pad).sentence}" for pad in sheet.reading.pads)
    if sheet.judged is None:
        yield f"  {sheet.reading.reason or sheet.unjudged}"
        return
    yield from (f"  {headline.words}" for headline in sheet.judged.headlines)
    yield f"  Next: {sheet.judged.assessment.plan.next_step}"


def _year(out: Path) -> int:
    from stripread.demo.folder import SETTINGS_FILE, STORE, report_jobs
    from stripread.store.store import open_store

    settings = sample_company(out)
    store = open_store(settings, new=False)
    try:
        jobs = report_jobs(store, settings, out / "year")
        written = [job() for job in with_progress(jobs, "Writing reports")]
    finally:
        store.close()
    file = out / STORE / SETTINGS_FILE
    echo(f"{len(written)} reports in {out / 'year'}\n"
         f"Command line on this store: export STRIPREAD_SETTINGS={file}\n"
         f"In a browser: stripread serve --demo{'' if out == DEFAULT_FOLDER else f' --demo-folder {out}'}")
    return DONE


def sample_company(out: Path) -> Settings:
    """Return the settings of the sample company's store in the folder ``out``, which is built if it is missing."""
    from stripread.demo.folder import company_settings, exists

    if not exists(out):
        echo("Building a year of a fictitious company: about two minutes on two cores ...")
    return company_settings(out, lambda steps: with_progress(steps, "Building the year"))
