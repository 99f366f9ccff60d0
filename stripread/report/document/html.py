"""A report as one self-contained page, made to be read on a phone and to be printed."""

from __future__ import annotations

from pathlib import Path

from shared.files import write_whole
from stripread.report.document.model import Document
from stripread.report.render import rendered


def write_html(path: Path, document: Document) -> None:
    """Write the page. Raises FileError where it cannot be written."""
    write_whole(path, html(document))


def html(document: Document) -> bytes:
    """The page."""
    return rendered("document.html", {"document": document})
