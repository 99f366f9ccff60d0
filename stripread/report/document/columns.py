"""Widths of a table's columns: what each needs if there is room, else narrower where lines can break."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.pdfbase.pdfmetrics import stringWidth

from stripread.report.document.typeface import BOLD, printable

#: Letters of a table in points, and a little room so that rounding breaks no line.
_SIZE, _SPARE = 9.0, 1.0


def widths(rows: Sequence[Sequence[str]], whole: float, *, padding: float) -> list[float]:
    """Widths in points of columns with these words, ``whole`` together at most."""
    columns = list(zip(*rows, strict=True))
    wanted = [max(map(_width, column)) + padding + _SPARE for column in columns]
    least = [max(_width(word) for cell in column for word in cell.split() or [""]) + padding + _SPARE
             for column in columns]
    if sum(wanted) <= whole:
        return wanted
    if sum(least) >= whole:
        return _fair(least, whole)
    share = (whole - sum(least)) / (sum(wanted) - sum(least))
    return [low + share * (high - low) for low, high in zip(least, wanted, strict=True)]


def _fair(wanted: Sequence[float], whole: float) -> list[float]:
    """Narrow columns as they are, the others alike: words too long for theirs are broken."""
    found = [0.0] * len(wanted)
    for left, i in enumerate(sorted(range(len(wanted)), key=lambda i: wanted[i])):
        found[i] = min(wanted[i], (whole - sum(found)) / (len(wanted) - left))
    return found


def _width(words: str) -> float:
    return stringWidth(printable(words), BOLD, _SIZE)
