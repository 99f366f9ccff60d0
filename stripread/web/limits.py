"""Limits of the server process: failed attempts by name and by address, bytes of uploads, anonymous requests.

Counted in this process, the only one that answers requests; a restart forgets, which only an administrator can do.
"""

from __future__ import annotations

from collections import Counter, OrderedDict, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Lock
from time import monotonic
from typing import Any

from stripread.web.refusals import HTTPRefusal

#: Largest number of keys in memory; the least recently used is dropped first.
_KEYS = 20_000


@dataclass(frozen=True, slots=True)
class RateLimit:
    """After ``failures`` of one key within a period, one attempt per ``pause_s`` is allowed."""

    failures: int
    within_s: float
    pause_s: float


#: Attempts are delayed; accounts are never locked. By name and address: mistyped passwords. By name: many addresses
#: that try one account. By address: one address that tries many accounts.
BY_BOTH, BY_NAME, BY_ADDRESS = RateLimit(5, 900, 180), RateLimit(50, 3600, 60), RateLimit(30, 900, 30)
#: A device or address that has signed in to the account is counted separately from all others.
BY_KNOWN_PLACE = RateLimit(5, 900, 30)


@dataclass(frozen=True, slots=True)
class Attempt:
    """An attempt to sign in as ``name`` from ``address``; ``device``: one that has signed in to that account, or ""."""

    name: str
    address: str
    device: str = ""


class FailureCounter:
    """Recent failures, and the addresses from which accounts have signed in."""

    def __init__(self, clock: Callable[[], float] = monotonic) -> None:
        self._clock = clock
        self._lock = Lock()
        self._times: OrderedDict[str, deque[float]] = OrderedDict()
        self._known: OrderedDict[str, None] = OrderedDict()

    def check(self, attempt: Attempt) -> None:
        """Raise HTTPRefusal (429) for an attempt too soon after too many failures."""
        with self._lock:
            wait = max(self._wait(key, limit) for key, limit in self._keys(attempt).items())
        if wait > 0:
            raise HTTPRefusal(429, "too-often", wait_s=int(wait) + 1)

    def note(self, attempt: Attempt) -> None:
        """Record a failure."""
        with self._lock:
            for key, limit in self._keys(attempt).items():
                self._times.setdefault(key, deque(maxlen=limit.failures)).append(self._clock())
                self._times.move_to_end(key)
            _shorten(self._times)

    def forgive(self, attempt: Attempt) -> None:
        """Record a success: reset the failures of this device and address, and remember the address."""
        with self._lock:
            self._times.pop(next(iter(self._keys(attempt))), None)
            self._known[_both(attempt)] = None
            self._known.move_to_end(_both(attempt))
            _shorten(self._known)

    def _keys(self, attempt: Attempt) -> dict[str, RateLimit]:
        if attempt.device:
            return {f"device {attempt.device}": BY_KNOWN_PLACE}
        if _both(attempt) in self._known:
            return {_both(attempt): BY_KNOWN_PLACE}
        return {_both(attempt): BY_BOTH, f"name {_plain(attempt.name)}": BY_NAME,
                f"address {attempt.address}": BY_ADDRESS}

    def _wait(self, key: str, limit: RateLimit) -> float:
        times, now = self._times.get(key), self._clock()
        if times is None or len(times) < limit.failures or times[0] + limit.within_s <= now:
            return 0.0
        return times[-1] + limit.pause_s - now


def _both(attempt: Attempt) -> str:
    return f"both {_plain(attempt.name)}\n{attempt.address}"


def _plain(name: str) -> str:
    return name.strip().casefold()[:128]


def _shorten(keys: OrderedDict[str, Any]) -> None:
    while len(keys) > _KEYS:
        keys.popitem(last=False)


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
