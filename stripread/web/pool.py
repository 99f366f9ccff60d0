"""Pool of shared objects with a bounded queue, ordered by priority, then by arrival."""

from __future__ import annotations

from collections.abc import Iterable
from heapq import heapify, heappop, heappush
from itertools import count
from threading import Condition
from typing import Generic, TypeVar

from stripread.web.refusals import HTTPRefusal

T = TypeVar("T")
#: Retry-After, seconds.
_AGAIN_S = 10


class PriorityPool(Generic[T]):
    """Objects of one kind, each used by one client at a time."""

    def __init__(self, things: Iterable[T]) -> None:
        self._free = list(things)
        self._changed = Condition()
        self._waiting: list[tuple[int, int]] = []
        self._number = count()

    def take(self, urgency: int, patience_s: float, most: int) -> T:
        """Return an object, to be released. Raises HTTPRefusal (503) for a full queue or a timeout."""
        with self._changed:
            if len(self._waiting) >= most:
                raise HTTPRefusal(503, "busy", wait_s=_AGAIN_S)
            mine = (urgency, next(self._number))
            heappush(self._waiting, mine)
            if not self._changed.wait_for(lambda: bool(self._free) and self._waiting[0] == mine, patience_s):
                self._waiting.remove(mine)
                heapify(self._waiting)
                self._changed.notify_all()
                raise HTTPRefusal(503, "busy", wait_s=_AGAIN_S)
            heappop(self._waiting)
            self._changed.notify_all()
            return self._free.pop()

    def give(self, thing: T) -> None:
        """Release an object, or a replacement for it."""
        with self._changed:
            self._free.append(thing)
            self._changed.notify_all()

    def rest(self) -> list[T]:
        """Remove and return all free objects."""
        with self._changed:
            free, self._free = self._free, []
            return free
