"""Rejected request: status and id of its message; the limits of attempts, uploads and requests that reject one.

Failed attempts are counted in the store, which several servers may share; uploads and requests in this process.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Lock
from time import time
from typing import Final

from stripread.store.models.accounts import ROLES, Role
from stripread.store.sign_ins import StoredAttempts
from stripread.store.store import Store

EVERYONE: Final[frozenset[Role]] = frozenset(ROLES)
#: Roles that take readings, and roles that download original photographs with their metadata.
CAN_TAKE_READINGS: Final[frozenset[Role]] = frozenset({"technician", "analyst"})
CAN_DOWNLOAD_ORIGINALS: Final[frozenset[Role]] = frozenset({"reviewer", "administrator"})
#: Roles that record work on treatment units, tubes and cards.
CAN_MAINTAIN: Final[frozenset[Role]] = frozenset({"technician", "manager"})
ANALYSTS: Final[frozenset[Role]] = frozenset({"analyst"})
MANAGERS: Final[frozenset[Role]] = frozenset({"manager"})
REVIEWERS: Final[frozenset[Role]] = frozenset({"reviewer"})
ADMINISTRATORS: Final[frozenset[Role]] = frozenset({"administrator"})


class HTTPRefusal(Exception):  # noqa: N818 - named as what it is
    """``message``: id in the section ``refused`` of the texts; ``wait_s``: seconds for Retry-After.

    ``detail``: values allowed; ``field``: the affected input.
    """

    def __init__(self, status: int, message: str, *, wait_s: int = 0, detail: str = "", field: str = "") -> None:
        self.status = status
        self.message = message
        self.wait_s = wait_s
        self.detail = detail
        self.field = field
        super().__init__(f"{status} {message}")


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
    """Recent failures, and the addresses from which accounts have signed in; shared by all servers of a store."""

    def __init__(self, store: Store, clock: Callable[[], float] = time) -> None:
        self._stored = StoredAttempts(store)
        self._clock = clock

    def check(self, attempt: Attempt) -> None:
        """Raise HTTPRefusal (429) for an attempt too soon after too many failures."""
        keys = self._keys(attempt)
        times = self._stored.times(keys)
        wait = max(self._wait(times.get(key, []), limit) for key, limit in keys.items())
        if wait > 0:
            raise HTTPRefusal(429, "too-often", wait_s=int(wait) + 1)

    def note(self, attempt: Attempt) -> None:
        """Record a failure."""
        self._stored.add({key: limit.failures for key, limit in self._keys(attempt).items()}, self._clock())

    def forgive(self, attempt: Attempt) -> None:
        """Record a success: reset the failures of this device and address, and remember the address."""
        self._stored.forget(next(iter(self._keys(attempt))), _place(attempt), self._clock())

    def _keys(self, attempt: Attempt) -> dict[str, RateLimit]:
        if attempt.device:
            return {f"device {attempt.device}": BY_KNOWN_PLACE}
        if self._stored.times([_place(attempt)]):
            return {_both(attempt): BY_KNOWN_PLACE}
        return {_both(attempt): BY_BOTH, f"name {_plain(attempt.name)}": BY_NAME,
                f"address {attempt.address}": BY_ADDRESS}

    def _wait(self, times: Sequence[float], limit: RateLimit) -> float:
        latest, now = times[-limit.failures:], self._clock()
        if len(latest) < limit.failures or latest[0] + limit.within_s <= now:
            return 0.0
        return latest[-1] + limit.pause_s - now


def _place(attempt: Attempt) -> str:
    """Key of an address from which the account has signed in."""
    return f"place {_plain(attempt.name)}\n{attempt.address}"


def _both(attempt: Attempt) -> str:
    return f"both {_plain(attempt.name)}\n{attempt.address}"


def _plain(name: str) -> str:
    return name.strip().casefold()[:128]


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
