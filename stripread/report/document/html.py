"""A report as one self-contained page, made to be read on a phone and to be printed."""

from __future__ import annotations

from pathlib import Path

from stripread.report.document.model import Document
from stripread.report.render import write_page


def write_html(path: Path, document: Document) -> None:
    """Write the page. Raises FileError where it cannot be written."""
    write_page(path, "document.html", context={"document": document})
