"""A list of readings as a table that fits the terminal, or as blocks where it does not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from assess.decision import VERDICT_NAMES
from shared.analytes import ANALYTES
from shared.text import written
from stripread.cli.output import width
from stripread.store.lookup import short_id
from stripread.store.reading_query import ReadingRow

_HEAD: Final = ("reading", "sampled (UTC)", "site", "point", "verdict", "review")


def list_lines(found: Sequence[ReadingRow]) -> Iterator[str]:
    """Yield a line for each reading and, below it, its values and flags."""
    rows = [_HEAD, *map(_cells, found)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    fits = sum(widths) + 2 * (len(widths) - 1) <= width()
    yield from _row(_HEAD, widths, fits=fits) if fits else ()
    for listed, cells in zip(found, rows[1:], strict=True):
        yield from _row(cells, widths, fits=fits)
        yield from _wrapped([*_values(listed), *(f"! {flag}" for flag in listed.flags)])


def _row(cells: Sequence[str], widths: Sequence[int], *, fits: bool) -> Iterator[str]:
    if fits:
        yield "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()
    else:
        yield "  ".join((*cells[:2], cells[4]))
        yield from _wrapped([f"{cells[2]}, {cells[3]}", *([cells[5]] if cells[5] != "-" else ())])


def _cells(listed: ReadingRow) -> tuple[str, ...]:
    verdict = "no result" if listed.status == "no-result" else VERDICT_NAMES[listed.verdict] if listed.verdict else "-"
    review = " ".join(("" if listed.reviewed == "unreviewed" else listed.reviewed, "corrected" * listed.corrected,
                       "superseded" * (listed.superseded_by is not None))).split()
    return (short_id(listed.id), listed.sampled[:16].replace("T", " "), listed.site_name or "-",
            listed.point_name or "-", verdict, ", ".join(review) or "-")


def _values(listed: ReadingRow) -> Iterator[str]:
    """Yield the measured values in the analytes' own units."""
    for v in listed.values:
        yield f"{v.analyte} {written(v, ANALYTES[v.analyte].unit, status=v.status).value}"


def _wrapped(parts: Sequence[str]) -> Iterator[str]:
    """Yield parts, separated by semicolons and never broken, on indented lines."""
    line = "    "
    for i, part in enumerate(parts):
        piece = part + ("; " if i + 1 < len(parts) else "")
        if len(line) + len(piece.rstrip()) > width() and line.strip():
            yield line.rstrip()
            line = "    "
        line += piece
    if line.strip():
        yield line.rstrip()
