"""``stripread records list``: readings that are kept, found again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import click
import msgspec

from shared.analytes import ANALYTES
from shared.text import written
from stripread.cli.main import echo, echo_error
from stripread.cli.records.filters import filtered
from stripread.cli.records.store import open_store_from_settings
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.evidence import StoredReading
from stripread.store.reading_query import ReadingFilter, ReadingRow, readings
from stripread.store.store import Store

#: Lines of a page, if nothing else is said.
_PAGE: Final = 50
_HEAD: Final = ("reading", "sampled (UTC)", "site", "point", "batch", "values", "verdict", "review", "flags")


@click.command("list")
@filtered
@click.option("--last", type=click.IntRange(min=1), metavar="N", help=f"The N latest of these; else {_PAGE}, or all "
              "with --json.")
@click.option("--before", metavar="READING", help="Go on after this reading: the next page.")
@click.option("--json", "as_json", is_flag=True, help="A JSON object a line.")
def list_(*, wanted: Callable[[Store], ReadingFilter], last: int | None, before: str | None, as_json: bool) -> None:
    """Readings that stand (none superseded), the latest sample first. Long ids are shown cut: the beginning will do."""
    store = open_store_from_settings()
    after = before and resolve_id(store, StoredReading, before)
    if as_json:
        for listed in readings(store, wanted(store), last, after):
            echo(msgspec.json.encode(listed))
        return
    page = last or _PAGE
    found = readings(store, wanted(store), page + 1, after)
    for line in _table([_HEAD, *map(_cells, found[:page])]) if found else ():
        echo(line)
    if not found:
        echo_error("no reading fits")
    elif len(found) > page:
        echo_error(f"there are more: --before {short_id(found[page - 1].id)} goes on, --last N shows more")


def _cells(listed: ReadingRow) -> tuple[str, ...]:
    verdict = "refused" if listed.status == "refused" else listed.verdict or "-"
    review = " ".join(("" if listed.reviewed == "unreviewed" else listed.reviewed, "corrected" * listed.corrected,
                       "superseded" * (listed.superseded_by is not None))).split()
    return (
        short_id(listed.id),
        listed.sampled[:16].replace("T", " "),
        listed.site_name or "-",
        listed.point_name or "-",
        listed.batch,
        _values(listed),
        verdict,
        ", ".join(review) or "-",
        " ".join(listed.flags),
    )


def _values(listed: ReadingRow) -> str:
    """Return the measured values, in the analytes' own units."""
    return ", ".join(f"{v.analyte} {written(v, ANALYTES[v.analyte].unit, status=v.status).value}"
                     for v in listed.values) or "-"


def _table(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows as lines, each column as wide as its widest cell."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
