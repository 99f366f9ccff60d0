"""Content of a report: sections with blocks, rendered separately as HTML and PDF."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from shared.files import write_whole
from stripread.report.figures.window import WindowBar
from stripread.report.render import Plot, rendered
from stripread.report.text import Tone


def write_html(path: Path, document: Document) -> None:
    """Write the page. Raises FileError where it cannot be written."""
    write_whole(path, html(document))


def html(document: Document) -> bytes:
    """Return the page."""
    return rendered("document.html", {"document": document})


#: Widest plot that fits on a phone, pixels.
_NARROW = 600.0


@dataclass(frozen=True, slots=True)
class Text:
    """Paragraph."""

    kind: ClassVar = "text"
    words: str
    tone: Tone = ""
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """Bulleted list."""

    kind: ClassVar = "bullets"
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names with their values."""

    kind: ClassVar = "facts"
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """Cell of a table; the tone of a verdict is shown as its mark, ``bar`` below the words."""

    words: str
    tone: Tone = ""
    number: bool = False
    bar: WindowBar | None = None


@dataclass(frozen=True, slots=True)
class DocumentTable:
    """Table with a name for screen readers; the first cell of a row is its heading."""

    kind: ClassVar = "table"
    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """Plot, drawn as vectors."""

    kind: ClassVar = "figure"
    plot: Plot

    @property
    def wide(self) -> bool:
        """Whether the plot scrolls on a phone, so that its labels stay legible."""
        return self.plot.frame.size[0] > _NARROW


@dataclass(frozen=True, slots=True)
class DocumentPhoto:
    """Photograph as a data URI, with its size in pixels and its caption."""

    uri: str
    size: tuple[float, float]
    caption: str


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """Photographs in rows of ``across``."""

    kind: ClassVar = "photos"
    photos: tuple[DocumentPhoto, ...]
    across: int = 1


Block = Text | Bullets | Facts | DocumentTable | Figure | PhotoRow


@dataclass(frozen=True, slots=True)
class Section:
    """Heading and blocks; ``edge``: tone of the section's edge."""

    title: str
    blocks: tuple[Block, ...]
    edge: Tone = ""


@dataclass(frozen=True, slots=True)
class Document:
    """Report. ``id`` is printed on every page, ``about`` below the title; ``end`` follows the last section."""

    id: str
    title: str
    about: str
    sections: tuple[Section, ...]

    @property
    def end(self) -> str:
        """Marks the end of the report (ISO/IEC 17025:2017, 7.8.2.1 d)."""
        return f"End of report {self.id}"


def row(*cells: str | Cell) -> tuple[Cell, ...]:
    """Return a table row from texts and cells."""
    return tuple(Cell(cell) if isinstance(cell, str) else cell for cell in cells)


def number(words: str) -> Cell:
    """Return a cell with aligned digits and no line breaks."""
    return Cell(words, number=True)


def facts(rows: Iterable[tuple[str, str | None]]) -> Facts:
    """Return the rows that have a value."""
    return Facts(tuple((name, words) for name, words in rows if words))
