"""``stripread read``: photographs to values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calibration.chart import Chart
from shared.errors import InputError, MismatchError
from shared.profile import PrintProfile
from stripread.cli.inputs import chart_and_profiles, photographs
from stripread.cli.main import DONE, SOME_REFUSED, WRONG, complain
from stripread.cli.progress import with_progress
from stripread.cli.show import as_json_line, as_text
from stripread.reading.observe import observe
from stripread.reading.photo import Photo, load_photo
from stripread.reading.read import to_reading
from stripread.reading.result import Reading

if TYPE_CHECKING:
    from stripread.cli.reporting import Report


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--chart", required=True, type=click.Path(path_type=Path), help="Chart of the strip's batch.")
@click.option("--profile", multiple=True, type=click.Path(path_type=Path),
              help="Measured profile of the card's print run (CGATS.17); repeat it where runs differ. "
                   "Without it nominal colours are used and the intervals are wider.")
@click.option("--json", "json_lines", is_flag=True, help="One JSON object a photograph, a line each.")
@click.option("--overlay", type=click.Path(file_okay=False, path_type=Path), metavar="DIR",
              help="Write a PNG of each photograph with what was found drawn over it.")
@click.option("--report", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="Write one page with the photographs, their values, what they mean and how they came about.")
@click.option("--equipment", metavar="NAME|FILE.toml",
              help="Machine for which the report judges the water, if not the general one.")
def read(photos: tuple[Path, ...], chart: Path, *, profile: tuple[Path, ...], json_lines: bool,
         overlay: Path | None, report: Path | None, equipment: str | None) -> int:
    """Read values with 95 % intervals from PHOTOS: files, or folders of photographs.

    A photograph without card or strip is refused with its reason (exit status 1) and the others are read;
    a file that is no photograph is told, and the others are read (exit status 2).
    """
    if equipment is not None and report is None:
        raise click.UsageError("--equipment is what a report judges by: give --report too")
    reader = Reader(*chart_and_profiles(chart, profile))
    paths = photographs(photos)
    if overlay is not None:
        _check_names_differ(paths)
    page = None if report is None else _page(reader.chart, equipment)
    for reading, photo in reader.each(paths):
        click.echo(as_json_line(reading) if json_lines else as_text(reading))
        if overlay is not None:
            from stripread.report.overlay import write_overlay

            write_overlay(photo, reading, path=overlay / f"{reading.photo}.png")
        if page is not None:
            page.add(reading, photo)
    if page is not None and report is not None:
        page.write(report)
    return reader.status


def _page(chart: Chart, equipment: str | None) -> Report:
    """The page to gather readings on; what it needs is imported only when it is asked for."""
    from stripread.api import DEFAULT_EQUIPMENT
    from stripread.cli.reporting import Report

    return Report(chart, equipment or DEFAULT_EQUIPMENT)


class Reader:
    """Reads photographs on one chart; ``status`` is the exit status so far, the worst of all photographs."""

    def __init__(self, chart: Chart, profiles: Sequence[PrintProfile]) -> None:
        self.chart = chart
        self.profiles = profiles
        self.status = DONE

    def each(self, paths: Sequence[Path]) -> Iterator[tuple[Reading, Photo]]:
        """Readings in order; a file that cannot be read is told on standard error and passed over."""
        for path in with_progress(paths, "Reading"):
            try:
                photo, reading = self._read(path)
            except InputError as error:
                complain(error.message)
                self.status = WRONG
                continue
            if reading.status == "refused":
                self.status = max(self.status, SOME_REFUSED)
            yield reading, photo

    def _read(self, path: Path) -> tuple[Photo, Reading]:
        photo = load_photo(path)
        seen = observe(photo, self.chart.card, self.chart.strip, self.profiles)
        return photo, to_reading(photo, seen, self.chart)


def _check_names_differ(paths: Sequence[Path]) -> None:
    name, times = Counter(p.name for p in paths).most_common(1)[0]
    if times > 1:
        raise MismatchError("overlays of photographs of one name would replace each other", where="--overlay",
                            found=f"{name} {times} times", remedy="read the folders one after the other")
