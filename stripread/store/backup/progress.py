"""How long work tells how far it is: whoever asks for it gives a function that yields the items one after another."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

T = TypeVar("T")
#: Yields the items, and shows meanwhile how many are done; the text names the work.
Progress = Callable[[Sequence[T], str], Iterable[T]]


def without_progress(items: Sequence[T], _label: str) -> Iterable[T]:
    """The items, and nobody is told."""
    return items
