"""Limits of the server process: bytes of concurrent uploads, and concurrent requests of anonymous clients."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

from stripread.web.refusals import HTTPRefusal

#: Bytes of all uploads in progress. Each is copied up to four times on its way to a worker.
BUDGET = 128 * 2**20
#: Smaller uploads are not counted, bytes.
_SMALL = 2**20
#: Concurrent requests of one address without a signed-in account.
MOST_UNKNOWN = 20
#: Retry-After, seconds.
_AGAIN_S = 10


class Uploads:
    """Upload budget in use."""

    def __init__(self, budget: int = BUDGET) -> None:
        self._free = budget
        self._lock = Lock()

    @contextmanager
    def room_for(self, size: int) -> Iterator[None]:
        """Reserve bytes. Raises HTTPRefusal (503) if the budget is exhausted."""
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
    """Pending requests of each address without a signed-in account."""

    def __init__(self, most: int = MOST_UNKNOWN) -> None:
        self._most = most
        self._running: Counter[str] = Counter()
        self._lock = Lock()

    @contextmanager
    def one_of(self, address: str) -> Iterator[None]:
        """Count a request. Raises HTTPRefusal (503) at the limit."""
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
