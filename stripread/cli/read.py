"""``stripread read``: strips measured in photographs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from calibration.chart import Chart
from shared.errors import MismatchError
from stripread.cli.commands import ExampleCommand
from stripread.cli.inputs import materials, named_photos
from stripread.cli.options import (
    FILE,
    chosen_executor,
    cluster_option,
    manual_location,
    placing,
    processes_option,
    profile_option,
)
from stripread.cli.output import echo
from stripread.cli.reader import BatchReader, ReadingContext
from stripread.cli.show_reading import Printer, Summary, as_json_line, as_text, joint_json, joint_text
from stripread.reading.context import Dip, dip_from_text
from stripread.reading.photo_file import PhotoAddress, load_photo
from stripread.reading.read import WORTH_A_PROCESS
from stripread.reading.result import Reading

if TYPE_CHECKING:
    from stripread.cli.reader import Report
    from stripread.reading.combine import CombinedReading

#: Photographs after whose names the column of names in a summary is as wide; longer names are cut.
_MEASURED: Final = 1000


@click.command(cls=ExampleCommand, examples=(
    "stripread read photos/ --chart 2026-A.json --profile card-run-007.txt",
    "stripread read photo.jpg --batch 2026-A --report photo.html",
    "stripread read s3://photographs/2026 --batch 2026-A --json --cluster tls://scheduler.example.org:8786"))
@click.argument("photos", nargs=-1)
@click.option("--from", "list_", type=click.Path(dir_okay=False, allow_dash=True), metavar="FILE",
              help="File that lists further photographs, one path or s3://BUCKET/KEY per line; - for standard input.")
@click.option("--batch", metavar="BATCH", help="Strip batch whose chart and card profiles are registered.")
@click.option("--chart", type=click.Path(path_type=Path), metavar="FILE.json",
              help="File with the calibration chart of the strip batch.")
@profile_option
@click.option("--json", "json_lines", is_flag=True, help="Output as JSON, one line for each photograph.")
@click.option("--details", is_flag=True, help="All values with intervals and flags of each photograph [default: one "
                                              "line per photograph, unless there is only one].")
@click.option("--overlay", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
              help="Folder for an annotated PNG of each photograph.")
@click.option("--report", type=FILE, metavar="FILE.html",
              help="HTML page to write with photographs, values, assessment and provenance.")
@processes_option
@cluster_option
@click.option("--dipped", metavar="TIME",
              help="Local time of the dip, such as 2031-05-04T09:30:00; the time of exposure is taken from EXIF. "
                   "Early and late exposures are flagged.")
@click.option("--dipped-seconds-ago", type=float, metavar="S", help="Time from dip to exposure in seconds.")
@placing
@click.option("--combine", is_flag=True,
              help="One joint result: the photographs show one sample. With --json, only the joint result is printed.")
@click.option("--same-strip", is_flag=True, help="With --combine: the photographs show the same strip.")
@click.option("--machine", metavar="NAME|FILE.toml", help="Machine for the assessment in the report [default: a "
                                                            "generic one].")
def read(photos: tuple[str, ...], *, list_: str | None, batch: str | None, chart: Path | None,
         profiles: tuple[Path, ...], json_lines: bool, details: bool,
         overlay: Path | None, report: Path | None, machine: str | None, processes: int | None, cluster: str | None,
         corners: str | None, pads: tuple[str, ...], run: int | None, dipped: str | None,
         dipped_seconds_ago: float | None, combine: bool, same_strip: bool) -> int:
    """Measure strips in photographs.

    PHOTOS are files, folders or s3://BUCKET/PREFIX. Several photographs give one line each and a summary. A photograph
    without card or strip has no result (exit status 1); a file that is not an image is reported (exit status 2). The
    others are still evaluated.
    """
    _needs(photos or list_, "name photographs, folders or buckets, or a list with --from")
    _needs(machine is None or report is not None, "--machine applies to the report: give --report too")
    _needs(combine or not same_strip, "--same-strip applies to --combine: give that too")
    paths = named_photos(photos, list_)
    count = len(paths) if isinstance(paths, Collection) else None
    given = materials(chart, batch, profiles)
    manual = manual_location(corners, pads, run, given.chart.strip)
    _needs(manual is None or count == 1, "--corners, --pads and --run apply to one photograph: give only one")
    beside = ReadingContext(given.state, manual, _dip(dipped, dipped_seconds_ago), given.phones, given.last_day)
    executor = chosen_executor(count, worth=WORTH_A_PROCESS, processes=processes, cluster=cluster)
    reader = BatchReader(given.chart, given.profiles, executor=executor, beside=beside)
    if overlay is not None:
        paths = _with_other_names(paths)
    page = None if report is None else _page(reader.chart, machine, one_sample=combine)
    replicates = []
    printer = _printer(paths, given.chart, json_lines=json_lines, details=details, silent=combine and json_lines)
    for reading, path in reader.each(paths):
        if combine:
            replicates.append(reading)
        printer.add(reading)
        if overlay is not None:
            from stripread.report.overlay import write_overlay

            write_overlay(load_photo(path), reading, path=overlay / f"{reading.photo}.png")
        if page is not None:
            page.add(reading, load_photo(path))
    printer.finish()
    joint = _joined(replicates, same_strip=same_strip) if combine else None
    if page is not None and report is not None:
        page.write(report, joint)
    if joint is not None:
        echo(joint_json(joint) if json_lines else joint_text(joint))
    return reader.status


def _needs(given: object, message: str) -> None:
    if not given:
        raise click.UsageError(message)


def _joined(replicates: Sequence[Reading], *, same_strip: bool) -> CombinedReading:
    from stripread.reading.combine import combine

    return combine(replicates, same_strip=same_strip)


def _printer(paths: Iterable[PhotoAddress], chart: Chart, *, json_lines: bool, details: bool, silent: bool) -> Printer:
    if silent:
        return Printer(lambda _reading: None)
    if json_lines:
        return Printer(lambda reading: echo(as_json_line(reading)))
    if details or (isinstance(paths, Collection) and len(paths) == 1):
        return Printer(lambda reading: echo(as_text(reading)))
    return Summary((p.name for p in islice(paths, _MEASURED)) if isinstance(paths, Collection) else (), chart.strip)


def _dip(at: str | None, seconds: float | None) -> Dip | None:
    if at is not None and seconds is not None:
        raise click.UsageError("--dipped and --dipped-seconds-ago are alternatives: give only one")
    if seconds is not None:
        return Dip(seconds=seconds)
    return None if at is None else dip_from_text(at)


def _page(chart: Chart, machine: str | None, *, one_sample: bool) -> Report:
    """The page to gather readings on; what it needs is imported only when it is asked for."""
    from assess.equipment import DEFAULT_EQUIPMENT
    from stripread.cli.reader import Report

    return Report(chart, machine or DEFAULT_EQUIPMENT, one_sample=one_sample)


def _with_other_names(paths: Iterable[PhotoAddress]) -> Collection[PhotoAddress]:
    """Return all addresses. Raises MismatchError where two photographs have the same name."""
    listed = list(paths)
    name, times = Counter(p.name for p in listed).most_common(1)[0]
    if times > 1:
        raise MismatchError("photographs of the same name would overwrite each other's overlays", where="--overlay",
                            found=f"{name} {times} times", remedy="read one folder at a time")
    return listed
