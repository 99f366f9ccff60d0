"""What a report consists of: sections of a few kinds of blocks, which page and paper each set in their own way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from shared.files import write_whole
from stripread.report.frame import Plot
from stripread.report.render import rendered
from stripread.report.text import Tone


def write_html(path: Path, document: Document) -> None:
    """Write the page. Raises FileError where it cannot be written."""
    write_whole(path, html(document))


def html(document: Document) -> bytes:
    """The page."""
    return rendered("document.html", {"document": document})


#: Width of a drawing that a phone shows whole.
_NARROW = 600.0


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    kind: ClassVar = "text"
    words: str
    tone: Tone = ""
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list."""

    kind: ClassVar = "bullets"
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and what there is to say of each."""

    kind: ClassVar = "facts"
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table; a tone of a verdict is shown as a label about the words."""

    words: str
    tone: Tone = ""
    number: bool = False


@dataclass(frozen=True, slots=True)
class DocumentTable:
    """A table with a name for those who hear it; the first cell of a row names the row."""

    kind: ClassVar = "table"
    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """A plot, drawn as vectors."""

    kind: ClassVar = "figure"
    plot: Plot

    @property
    def wide(self) -> bool:
        """Whether a phone has to scroll so that its words stay legible."""
        return self.plot.frame.size[0] > _NARROW


@dataclass(frozen=True, slots=True)
class DocumentPhoto:
    """A picture as a data URI, its size in pixels, and what it shows."""

    uri: str
    size: tuple[float, float]
    caption: str


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """Pictures in rows, ``across`` a row."""

    kind: ClassVar = "photos"
    photos: tuple[DocumentPhoto, ...]
    across: int = 1


Block = Text | Bullets | Facts | DocumentTable | Figure | PhotoRow


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it; ``edge``: how grave it is."""

    title: str
    blocks: tuple[Block, ...]
    edge: Tone = ""


@dataclass(frozen=True, slots=True)
class Document:
    """A report. ``id`` stands on every page, ``about`` beneath the title, and after the last section its end."""

    id: str
    title: str
    about: str
    sections: tuple[Section, ...]

    @property
    def end(self) -> str:
        """What tells that nothing follows (ISO/IEC 17025:2017, 7.8.2.1 d)."""
        return f"End of report {self.id}"


def row(*cells: str | Cell) -> tuple[Cell, ...]:
    """A table's row from words and cells."""
    return tuple(Cell(cell) if isinstance(cell, str) else cell for cell in cells)


def number(words: str) -> Cell:
    """A cell whose digits stand in line and do not break."""
    return Cell(words, number=True)


def facts(rows: Iterable[tuple[str, str | None]]) -> Facts:
    """Those of the rows that say something."""
    return Facts(tuple((name, words) for name, words in rows if words))
