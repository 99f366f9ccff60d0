"""A progress bar for work over two seconds: on standard error, and only when that is a terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from typing import TypeVar

T = TypeVar("T")

#: Shorter work shows no bar, seconds.
PATIENCE_S = 2.0


def with_progress(items: Sequence[T], label: str) -> Iterator[T]:
    """Yield ``items``; once `PATIENCE_S` have passed, show how many are done."""
    if not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console
    from rich.progress import Progress

    started = time.monotonic()
    with ExitStack() as stack:
        # What is printed meanwhile goes above the bar, but never from a file or pipe to the terminal.
        bar = Progress(console=Console(stderr=True), transient=True, redirect_stdout=sys.stdout.isatty())
        task = bar.add_task(label, total=len(items))
        shown = False
        for done, item in enumerate(items):
            if not shown and time.monotonic() - started > PATIENCE_S:
                stack.enter_context(bar)
                shown = True
            bar.update(task, completed=done)
            yield item
