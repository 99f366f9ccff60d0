"""``stripread read``: photographs to values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calibration.chart import Chart
from shared.errors import MismatchError
from stripread.cli.inputs import photographs
from stripread.cli.main import echo
from stripread.cli.materials import materials
from stripread.cli.placing import placed, placing
from stripread.cli.reader import BatchReader, ReadingContext
from stripread.cli.show import as_json_line, as_text
from stripread.reading.many import WORTH_A_PROCESS
from stripread.reading.photo_file import load_photo
from stripread.reading.processes import sensible_processes
from stripread.reading.result import Reading
from stripread.reading.timing import Dip, dip_from_text

if TYPE_CHECKING:
    from stripread.cli.reporting import Report
    from stripread.reading.combine import Combined


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--batch", help="Batch of the strips, whose chart and whose card's profiles are kept in the records.")
@click.option("--chart", type=click.Path(path_type=Path), help="Chart of the strips' batch, as a file.")
@click.option("--profile", multiple=True, type=click.Path(path_type=Path),
              help="Measured profile of the card's print run (CGATS.17); repeat it where runs differ. "
                   "With --chart and without it nominal colours are used and the intervals are wider.")
@click.option("--json", "json_lines", is_flag=True, help="One JSON object a photograph, a line each.")
@click.option("--overlay", type=click.Path(file_okay=False, path_type=Path), metavar="DIR",
              help="Write a PNG of each photograph with what was found drawn over it.")
@click.option("--report", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="Write one page with the photographs, their values, what they mean and how they came about.")
@click.option("--processes", type=click.IntRange(1, 64), help="Read on so many processes [default: what pays].")
@click.option("--dipped", metavar="TIME", help="Local time of the dip, as 2031-05-04T09:30:00; the photograph's EXIF "
                                              "tells when it was taken. Early and late ones are flagged.")
@click.option("--dipped-seconds-ago", type=float, metavar="N", help="The same as seconds before the photograph.")
@placing
@click.option("--combine", is_flag=True,
              help="The photographs show one sample: join their values. With --json, only the joint result is printed.")
@click.option("--same-strip", is_flag=True, help="With --combine: they show one strip, not a strip each.")
@click.option("--equipment", metavar="NAME|FILE.toml",
              help="Machine for which the report judges the water, if not the general one.")
def read(photos: tuple[Path, ...], *, batch: str | None, chart: Path | None,
         profile: tuple[Path, ...], json_lines: bool,
         overlay: Path | None, report: Path | None, equipment: str | None, processes: int | None,
         corners: str | None, pads: tuple[str, ...], run: int | None, dipped: str | None,
         dipped_seconds_ago: float | None, combine: bool, same_strip: bool) -> int:
    """Read values with 95 % intervals from PHOTOS: files, or folders of photographs.

    A photograph without card or strip is refused with its reason (exit status 1) and the others are read;
    a file that is no photograph is told, and the others are read (exit status 2).
    """
    _needs(equipment is None or report is not None, "--equipment is what a report judges by: give --report too")
    _needs(combine or not same_strip, "--same-strip says how photographs are combined: give --combine too")
    paths = photographs(photos)
    given = materials(chart, batch, profile)
    hand = placed(corners, pads, run, given.chart.strip)
    _needs(not hand.anything or len(paths) == 1, "--corners, --pads and --run place things in one photograph: give one")
    beside = ReadingContext(given.state, hand, _dip(dipped, dipped_seconds_ago), given.phones)
    pays = sensible_processes(len(paths), worth=WORTH_A_PROCESS)
    reader = BatchReader(given.chart, given.profiles, processes=processes or pays, beside=beside)
    if overlay is not None:
        _check_names_differ(paths)
    page = None if report is None else _page(reader.chart, equipment, one_sample=combine)
    replicates = []
    for reading, path in reader.each(paths):
        replicates.append(reading)
        if not (combine and json_lines):
            echo(as_json_line(reading).encode() if json_lines else as_text(reading))
        if overlay is not None:
            from stripread.report.overlay import write_overlay

            write_overlay(load_photo(path), reading, path=overlay / f"{reading.photo}.png")
        if page is not None:
            page.add(reading, load_photo(path))
    joint = _joined(replicates, same_strip=same_strip) if combine else None
    if page is not None and report is not None:
        page.write(report, joint)
    if joint is not None:
        echo(_told(joint, json_lines=json_lines))
    return reader.status


def _needs(given: object, message: str) -> None:
    if not given:
        raise click.UsageError(message)


def _joined(replicates: Sequence[Reading], *, same_strip: bool) -> Combined:
    from stripread.reading.combine import combine

    return combine(replicates, same_strip=same_strip)


def _told(joint: Combined, *, json_lines: bool) -> str:
    from stripread.cli import show_combined

    return show_combined.as_json_line(joint) if json_lines else show_combined.as_text(joint)


def _dip(at: str | None, seconds: float | None) -> Dip | None:
    if at is not None and seconds is not None:
        raise click.UsageError("--dipped and --dipped-seconds-ago say the same: give one")
    if seconds is not None:
        return Dip(seconds=seconds)
    return None if at is None else dip_from_text(at)


def _page(chart: Chart, equipment: str | None, *, one_sample: bool) -> Report:
    """The page to gather readings on; what it needs is imported only when it is asked for."""
    from assess.equipment import DEFAULT_EQUIPMENT
    from stripread.cli.reporting import Report

    return Report(chart, equipment or DEFAULT_EQUIPMENT, one_sample=one_sample)


def _check_names_differ(paths: Sequence[Path]) -> None:
    name, times = Counter(p.name for p in paths).most_common(1)[0]
    if times > 1:
        raise MismatchError("overlays of photographs of one name would replace each other", where="--overlay",
                            found=f"{name} {times} times", remedy="read the folders one after the other")
