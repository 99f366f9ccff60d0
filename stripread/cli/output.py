"""What commands print, with exit statuses; verdicts in colour on a terminal."""

from __future__ import annotations

import os
import re
import shutil
import sys
from textwrap import wrap
from typing import Final

import click

DONE, NO_RESULT, WRONG = 0, 1, 2
INTERRUPTED, PIPE_CLOSED = 130, 141

#: Colour of each verdict.
_COLOURS = {"out of limits": "red", "inconclusive": "yellow", "within limits": "green"}
_VERDICT = re.compile("|".join(_COLOURS), re.IGNORECASE)
#: Widest text; wider lines are hard to read.
_WIDEST = 100


def echo(message: str | bytes, *, err: bool = False) -> None:
    """Print a message on standard output or standard error, control characters escaped."""
    click.echo(visible(message) if isinstance(message, str) else message, err=err)


def echo_verdicts(text: str) -> None:
    """Print text on standard output; verdicts are in colour on a terminal, unless NO_COLOR is set."""
    shown = visible(text)
    click.echo(_VERDICT.sub(_in_colour, shown) if _colours() else shown)


def echo_error(message: str) -> None:
    """Report on standard error what is wrong."""
    click.echo(f"stripread: {visible(message)}", err=True)


def width() -> int:
    """Return the columns available for text."""
    return min(shutil.get_terminal_size(fallback=(_WIDEST, 24)).columns, _WIDEST)


def filled(text: str, indent: str = "    ") -> list[str]:
    """Return a text as lines that fit the terminal; all but the first are indented. Long words are not broken."""
    return wrap(text, width(), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def _colours() -> bool:
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def _in_colour(found: re.Match[str]) -> str:
    return click.style(found[0], fg=_COLOURS[found[0].lower()], bold=True)


#: Control characters of ISO/IEC 6429 except tabs and ends of lines; characters that change the direction of writing
#: (Unicode UAX #9) or end lines otherwise; surrogates, which represent invalid bytes in names of files.
_CONTROL: Final = re.compile(r"\r(?!\n)|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
_MARK: Final = "\N{REPLACEMENT CHARACTER}"


def visible(text: str) -> str:
    """Return text with a mark in place of each character that would control the terminal."""
    return _CONTROL.sub(_MARK, text)
