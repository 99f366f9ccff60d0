"""Who waits for one of a few things, and whose turn it is: the more urgent first, then the one who came first."""

from __future__ import annotations

from collections.abc import Iterable
from heapq import heapify, heappop, heappush
from itertools import count
from threading import Condition
from typing import Generic, TypeVar

from stripread.web.refusals import HTTPRefusal

T = TypeVar("T")
#: When asking again may help, seconds.
_AGAIN_S = 10


class PriorityPool(Generic[T]):
    """Some things of a kind, each for one at a time."""

    def __init__(self, things: Iterable[T]) -> None:
        self._free = list(things)
        self._changed = Condition()
        self._waiting: list[tuple[int, int]] = []
        self._number = count()

    def take(self, urgency: int, patience_s: float, most: int) -> T:
        """One of them, to be given back. Raises Refused (503) where ``most`` wait already, or patience ends."""
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
        """Give one back, or another in its place."""
        with self._changed:
            self._free.append(thing)
            self._changed.notify_all()

    def rest(self) -> list[T]:
        """All that are free now; nobody gets them any more."""
        with self._changed:
            free, self._free = self._free, []
            return free
