"""The typeface of reports on paper, embedded, and the colours of the pages' style as paper has them."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import Final

from reportlab.lib.colors import Color, HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD = "Roboto", "Roboto-Bold"
#: Roboto 2.138 (2017), Copyright 2011 Google Inc., Apache License 2.0: unchanged files with their licence.
_FOLDER: Final = "roboto"
_FILES: Final = {REGULAR: "Roboto-Regular.ttf", BOLD: "Roboto-Bold.ttf"}
#: Stands for a letter that the typeface has not.
MISSING: Final = "\N{REPLACEMENT CHARACTER}"
_VARIABLE = re.compile(r"--(\w+): (#[0-9a-f]{6})")


@cache
def register() -> frozenset[int]:
    """Make the typeface known to the PDF library; returns the characters it has, as code points."""
    folder, known = files("stripread.report.document") / _FOLDER, []
    for name, file in _FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known.append(frozenset(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)
    return frozenset.intersection(*known)


def printable(text: str) -> str:
    """The text with `MISSING` for each letter that the typeface has not: told, never left out."""
    known = register()
    return "".join(c if ord(c) in known or c == "\n" else MISSING for c in text)


@cache
def colours() -> dict[str, Color]:
    """The light colours of the pages' style sheet by name."""
    style = (files("stripread.report") / "templates" / "style.css").read_text(encoding="utf-8")
    light = style[: style.index("}")]
    return {name: HexColor(value) for name, value in _VARIABLE.findall(light)}


def colour(css: str) -> Color:
    """A colour as the drawings name it: ``var(--ink)`` or ``#rrggbb``."""
    return HexColor(css) if css.startswith("#") else colours()[css.removeprefix("var(--").removesuffix(")")]
