"""Pages of the manual by topic; as HTML, and by words that occur in them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from markupsafe import Markup

if TYPE_CHECKING:
    from markdown_it.token import Token

#: Page that links to all others.
INDEX: Final = "index"
#: Folders with files that pages show or link.
_FOLDERS: Final = ("pictures", "schemas")
_CODE_NAME: Final = re.compile(r"^`([a-z0-9-]+)`$")
_LINK: Final = re.compile(r"^([a-z-]+)\.md(#.*)?$")


@dataclass(frozen=True, slots=True)
class ManualPage:
    """``topic``: name of the file without ``.md``; ``text``: Markdown."""

    topic: str
    text: str

    @property
    def title(self) -> str:
        """First heading."""
        return self.text.partition("\n")[0].lstrip("# ")


@dataclass(frozen=True, slots=True)
class Match:
    """A page that contains all words searched for, and the first line with one of them."""

    page: ManualPage
    line: str


@cache
def manual_pages() -> Mapping[str, ManualPage]:
    """Return all pages by topic, in alphabetical order."""
    files_ = sorted((p for p in files("stripread.manual").iterdir() if p.name.endswith(".md")), key=lambda p: p.name)
    return MappingProxyType({
        topic: ManualPage(topic, page.read_text("utf-8"))
        for page in files_ for topic in (page.name.removesuffix(".md"),)})


@cache
def linked_files() -> Mapping[str, bytes]:
    """Return pictures and schemas by their path, as "pictures/strip-on-card.jpg"."""
    root = files("stripread.manual")
    return MappingProxyType({f"{folder}/{file.name}": file.read_bytes()
                             for folder in _FOLDERS for file in (root / folder).iterdir() if "." in file.name})


def search(words: str) -> list[Match]:
    """Return the pages that contain all words, those with most occurrences first."""
    asked = [word for word in words.casefold().split() if word]
    scored = [(sum(page.text.casefold().count(word) for word in asked), page)
              for page in manual_pages().values() if all(word in page.text.casefold() for word in asked)]
    return [Match(page, _line(page, asked)) for n, page in sorted(scored, key=lambda s: -s[0]) if n]


def _line(page: ManualPage, words: Sequence[str]) -> str:
    """Return the first line of text with one of the words, without the marks of Markdown."""
    lines = (line for line in page.text.splitlines()[1:] if any(word in line.casefold() for word in words))
    return re.sub(r"[|*`#]+|\]\([^)]*\)|\[", " ", next(lines, page.title)).strip()


@cache
def as_html(topic: str, base: str) -> Markup:
    """Return a page as HTML; its links to other pages and files begin with ``base``. KeyError for an unknown topic."""
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = parser.parse(manual_pages()[topic].text)
    for token in tokens:
        for part in token.children or ():
            for name in ("href", "src"):
                if address := part.attrGet(name):
                    part.attrSet(name, _address(str(address), base))
    for opening, inline in pairwise(tokens):
        if opening.type == "heading_open":
            opening.attrSet("id", anchor(inline.content))
    for row, name in _named_rows(tokens):
        row.attrSet("id", name)
    return Markup(parser.renderer.render(tokens, parser.options, {}))  # noqa: S704 - Markdown of our own, without HTML


def _named_rows(tokens: Sequence[Token]) -> Iterator[tuple[Token, str]]:
    """Yield the rows of tables that begin with a name in code, such as a flag, with that name."""
    for row, _, first in zip(tokens, tokens[1:], tokens[2:], strict=False):
        if row.type == "tr_open" and (name := _CODE_NAME.match(first.content)):
            yield row, name[1]


def _address(link: str, base: str) -> str:
    if page := _LINK.match(link):
        return f"{base}/{page[1]}{page[2] or ''}"
    return f"{base}/files/{link}" if link.startswith(_FOLDERS) else link


def anchor(heading: str) -> str:
    """Return the id of a heading: "JSON Schemas" -> "json-schemas"."""
    return re.sub(r"[^a-z0-9]+", "-", heading.casefold()).strip("-")


def headings(topic: str) -> Iterator[str]:
    """Yield the second-level headings of a page, for its list of contents."""
    yield from re.findall(r"^## (.+)$", manual_pages()[topic].text, re.MULTILINE)
