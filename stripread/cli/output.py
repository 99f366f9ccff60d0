"""What commands print and write: messages, progress, files; exit statuses; verdicts in colour on a terminal."""

from __future__ import annotations

import os
import re
import shutil
import sys
import time
from collections.abc import Iterable, Iterator, Sized
from contextlib import ExitStack
from pathlib import Path
from textwrap import wrap
from typing import Final, TypeVar

import click

from shared.errors import FileError

DONE, NO_RESULT, WRONG = 0, 1, 2
INTERRUPTED, PIPE_CLOSED = 130, 141

#: Colour of each verdict.
_COLOURS = {"out of limits": "red", "inconclusive": "yellow", "within limits": "green"}
_VERDICT = re.compile("|".join(_COLOURS), re.IGNORECASE)
#: Widest text; wider lines are hard to read.
_WIDEST = 100


def echo(message: str | bytes, *, err: bool = False) -> None:
    """Print text, control characters escaped and long lines wrapped on a terminal; print bytes (JSON) unchanged."""
    click.echo(_fitting(visible(message)) if isinstance(message, str) else message, err=err)


def echo_json_lines(records: Iterable[object]) -> None:
    """Print one JSON object a line, nothing if there is none."""
    import msgspec

    for record in records:
        click.echo(msgspec.json.encode(record))


def echo_verdicts(text: str) -> None:
    """Print text on standard output; verdicts are in colour on a terminal, unless NO_COLOR is set."""
    shown = _fitting(visible(text))
    click.echo(_VERDICT.sub(_in_colour, shown) if _colours() else shown)


def echo_error(message: str) -> None:
    """Report on standard error what is wrong."""
    echo(f"stripread: {message}", err=True)


def width() -> int:
    """Return the columns available for text."""
    return min(shutil.get_terminal_size(fallback=(_WIDEST, 24)).columns, _WIDEST)


def filled(text: str, indent: str = "    ") -> list[str]:
    """Return a text as lines that fit the terminal; all but the first are indented. Long words are not broken."""
    return wrap(text, width(), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def _fitting(text: str) -> str:
    """Return text whose lines fit the terminal. A pipe or file gets one line for each item, for other programs."""
    if not (sys.stdout.isatty() or os.environ.get("COLUMNS")):
        return text
    return "\n".join("\n".join(_continued(line)) for line in text.split("\n"))


def _continued(line: str) -> list[str]:
    if len(line) <= width():
        return [line]
    return filled(line, " " * (len(line) - len(line.lstrip()) + 4))


def _colours() -> bool:
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def _in_colour(match: re.Match[str]) -> str:
    return click.style(match[0], fg=_COLOURS[match[0].lower()], bold=True)


#: Control characters of ISO/IEC 6429 except tabs and ends of lines; characters that change the direction of writing
#: (Unicode UAX #9) or end lines otherwise; surrogates, which represent invalid bytes in names of files.
_CONTROL: Final = re.compile(r"\r(?!\n)|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
_MARK: Final = "\N{REPLACEMENT CHARACTER}"


def visible(text: str) -> str:
    """Return text with a mark in place of each character that would control the terminal."""
    return _CONTROL.sub(_MARK, text)


T = TypeVar("T")

#: Shorter work shows no bar, seconds.
PATIENCE_S = 2.0


def with_progress(items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
    """Yield ``items``; once `PATIENCE_S` have passed, show how many are done; ``total``: of how many."""
    if not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console
    from rich.progress import Progress

    started = time.monotonic()
    with ExitStack() as stack:
        # What is printed meanwhile goes above the bar, but never from a file or pipe to the terminal.
        bar = Progress(console=Console(stderr=True), transient=True, redirect_stdout=sys.stdout.isatty())
        task = bar.add_task(label, total=len(items) if isinstance(items, Sized) else total)
        shown = False
        for done, item in enumerate(items):
            if not shown and time.monotonic() - started > PATIENCE_S:
                stack.enter_context(bar)
                shown = True
            bar.update(task, completed=done)
            yield item


#: Formats of a table.
TABLES: Final = ("csv", "json", "parquet")


def table_format(form: str | None, output: Path | None) -> str:
    """Return the format of a table: the one given or that of the file's extension, which must not contradict it."""
    ending = "" if output is None else output.suffix.lower().lstrip(".").replace("jsonl", "json")
    if form is not None and ending in TABLES and ending != form:
        raise click.UsageError(f"--format {form} contradicts the extension of {output}: change one of them")
    return form or (ending if ending in TABLES else "csv")


def write_chunks(output: Path | None, chunks: Iterable[bytes]) -> None:
    """Write to a file atomically, to a pipe or (None) to standard output as the chunks come."""
    if output is None:
        for chunk in chunks:
            click.echo(chunk, nl=False)
        return
    from shared.files import atomic_file

    try:
        piped = output.exists() and not output.is_file()
        with output.open("wb") if piped else atomic_file(output) as file:
            file.writelines(chunks)
    except OSError as error:
        raise FileError("the file cannot be written", where=str(output), found=error.strerror or str(error)) from error
