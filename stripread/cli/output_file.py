"""Exports written to a file, a pipe or standard output."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from shared.atomic_files import atomic_file
from shared.errors import FileError


def write_chunks(output: Path | None, chunks: Iterable[bytes]) -> None:
    """Write to a file atomically, to a pipe or (None) to standard output as the chunks come."""
    if output is None:
        for chunk in chunks:
            click.echo(chunk, nl=False)
        return
    try:
        piped = output.exists() and not output.is_file()
        with output.open("wb") if piped else atomic_file(output) as file:
            file.writelines(chunks)
    except OSError as error:
        raise FileError("the file cannot be written", where=str(output), found=error.strerror or str(error)) from error
