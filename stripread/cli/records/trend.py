"""``stripread records trend``: the water of a sampling point over time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from shared.analytes import ANALYTES
from stripread.cli.main import echo
from stripread.cli.records.store import open_store_from_settings

if TYPE_CHECKING:
    from stripread.monitoring.trend.trend import Trend
    from stripread.store.store import Store


@click.command()
@click.option("--point", required=True, help="The sampling point: its id or the beginning of it; with --site its name.")
@click.option("--site", help="The site of the point: its id, the beginning of it, or its name.")
@click.option("--analyte", type=click.Choice(list(ANALYTES)), metavar="ANALYTE", help="Only this one; else all.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.svg",
              help="Draw it, with what it shows in words.")
@click.option("--json", "as_json", is_flag=True, help="All numbers as JSON.")
def trend(*, point: str, site: str | None, analyte: str | None, output: Path | None, as_json: bool) -> None:
    """The water of a sampling point over time: steps of a mains, drift behind a treatment and when it will be spent.

    Superseded, refused and rejected readings do not count; strips dipped on one visit are joined. A new batch of
    strips is not taken for a change of the water.
    """
    from stripread.monitoring.trend.trend import trend as told

    store = open_store_from_settings()
    found = told(store, _point(store, site, point), analyte)
    if output is not None:
        from stripread.report.trend_plot import write_trend_plot

        write_trend_plot(output, found)
    echo(msgspec.json.encode(found) if as_json else "\n".join(_lines(found)))


def _point(store: Store, site: str | None, point: str) -> str:
    from stripread.intake.sampling_context import resolve_point
    from stripread.store.lookup import resolve_id
    from stripread.store.models.sites import SamplingPoint, Site

    if site is None:
        return resolve_id(store, SamplingPoint, point)
    return resolve_point(store, resolve_id(store, Site, site), point) or point


def _lines(found: Trend) -> Iterator[str]:
    from stripread.monitoring.trend.words import change, day, headline, sentences

    yield headline(found)
    yield from change(found)
    for analyte in found.analytes:
        yield f"{ANALYTES[analyte.analyte].name}:"
        yield from (f"  {sentence}" for sentence in sentences(analyte))
    if found.marks:
        yield "marks:"
        yield from (f"  {day(mark.at)} {mark.what}" for mark in found.marks)
