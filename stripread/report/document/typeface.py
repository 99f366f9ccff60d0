"""Embedded typeface of PDF reports, and the colours of the style sheet for print."""

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
#: Replaces a character that the typeface does not contain.
MISSING: Final = "\N{REPLACEMENT CHARACTER}"
_VARIABLE = re.compile(r"--(\w+): (#[0-9a-f]{6})")


@cache
def register() -> frozenset[int]:
    """Register the typeface with the PDF library. Return its characters as code points."""
    folder, known = files("stripread.report.document") / _FOLDER, []
    for name, file in _FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known.append(frozenset(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)
    return frozenset.intersection(*known)


def printable(text: str) -> str:
    """Return the text with `MISSING` for each character that the typeface does not contain."""
    known = register()
    return "".join(c if ord(c) in known or c == "\n" else MISSING for c in text)


@cache
def colours() -> dict[str, Color]:
    """Return the light colours of the style sheet by name."""
    style = (files("stripread.report") / "templates" / "style.css").read_text(encoding="utf-8")
    light = style[: style.index("}")]
    return {name: HexColor(value) for name, value in _VARIABLE.findall(light)}


def colour(css: str) -> Color:
    """Return a colour of a plot, given as ``var(--ink)`` or ``#rrggbb``."""
    return HexColor(css) if css.startswith("#") else colours()[css.removeprefix("var(--").removesuffix(")")]
