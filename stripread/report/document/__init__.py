"""A report as content, written as a page (HTML) or on paper (PDF): the words stand once, in the content."""

from __future__ import annotations

from pathlib import Path

from shared.errors import FileError
from shared.files import write_whole
from stripread.report.document.model import Document

#: Paper of a PDF by name.
PAPERS = ("a4", "letter")


def write_document(path: Path, document: Document, paper: str = "a4") -> None:
    """Write a report as its file's ending says: .html or .pdf. Raises FileError where it cannot be written."""
    if path.suffix.lower() in (".html", ".htm"):
        from stripread.report.document.model import write_html

        write_html(path, document)
    elif path.suffix.lower() == ".pdf":
        from stripread.report.document.pdf import pdf

        write_whole(path, pdf(document, paper))
    else:
        raise FileError("no such kind of report", where=str(path), found=path.suffix or "no ending",
                        allowed=".html or .pdf")
