"""What the answering process takes on at a time: bytes of uploads, and requests of clients who have not signed in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

from stripread.web.refusals import HTTPRefusal

#: Bytes of all uploads that are received or worked on. Each is held up to four times on its way to a worker.
BUDGET = 128 * 2**20
#: What is smaller than this is not counted.
_SMALL = 2**20
#: Requests of one address without a signed-in account that run at a time.
MOST_UNKNOWN = 20
#: When asking again may help, seconds.
_AGAIN_S = 10


class Uploads:
    """How much of the budget is taken."""

    def __init__(self, budget: int = BUDGET) -> None:
        self._free = budget
        self._lock = Lock()

    @contextmanager
    def room_for(self, size: int) -> Iterator[None]:
        """Room for so many bytes. Raises Refused (503) where there is none now."""
        counted = size if size >= _SMALL else 0
        with self._lock:
            if counted > self._free:
                raise HTTPRefusal(503, "busy", wait_s=_AGAIN_S)
            self._free -= counted
        try:
            yield
        finally:
            with self._lock:
                self._free += counted


class AnonymousRequests:
    """Requests of each address that come without a signed-in account and are not answered yet."""

    def __init__(self, most: int = MOST_UNKNOWN) -> None:
        self._most = most
        self._running: Counter[str] = Counter()
        self._lock = Lock()

    @contextmanager
    def one_of(self, address: str) -> Iterator[None]:
        """One more. Raises Refused (503) where as many as are allowed run."""
        with self._lock:
            if self._running[address] >= self._most:
                raise HTTPRefusal(503, "busy", wait_s=_AGAIN_S)
            self._running[address] += 1
        try:
            yield
        finally:
            with self._lock:
                self._running[address] -= 1
                if not self._running[address]:
                    del self._running[address]
