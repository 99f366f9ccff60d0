"""The facts that a test report states, by which editions are compared."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from stripread.report.document.model import Bullets, DocumentTable, Facts, Section, Text
from stripread.store.models.evidence import StatedFact


def facts_of(sections: Iterable[Section]) -> tuple[StatedFact, ...]:
    """Return the facts stated by sections. Photographs and plots are excluded: they follow from the facts."""
    return tuple(StatedFact(f"{section.title}: {name}" if name else section.title, words)
                 for section in sections for block in section.blocks for name, words in _said(block))


def _said(block: object) -> Iterator[tuple[str, str]]:
    match block:
        case Facts():
            yield from block.rows
        case DocumentTable():
            yield from ((row[0].words, "; ".join(filter(None, (cell.words for cell in row[1:])))) for row in block.rows)
        case Bullets():
            yield "", " ".join(block.items)
        case Text():
            yield "", block.words
