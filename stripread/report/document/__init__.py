"""Report as content, rendered as HTML or PDF."""

from __future__ import annotations

from pathlib import Path

from shared.errors import FileError
from shared.files import write_whole
from stripread.report.document.model import Document

#: Paper sizes of a PDF.
PAPERS = ("a4", "letter")


def write_document(path: Path, document: Document, paper: str = "a4") -> None:
    """Write a report as .html or .pdf, by the file's extension. Raises FileError where it cannot be written."""
    if path.suffix.lower() in (".html", ".htm"):
        from stripread.report.document.model import write_html

        write_html(path, document)
    elif path.suffix.lower() == ".pdf":
        from stripread.report.document.pdf import pdf

        write_whole(path, pdf(document, paper))
    else:
        raise FileError("unknown report format", where=str(path), found=path.suffix or "no extension",
                        allowed=".html or .pdf")
