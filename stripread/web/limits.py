"""How often something may be tried: so many failures within a while, counted by name and by address.

Counted in this process, the only one that answers requests; a restart forgets, which only an administrator can do.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from time import monotonic

from stripread.web.refusals import Refused

#: Keys remembered at most; the longest unused goes first, so that no flood of names fills the memory.
_KEYS = 20_000


@dataclass(frozen=True, slots=True)
class Limit:
    """At most so many failures of one key within so many seconds."""

    failures: int
    within_s: float


#: By name and address: a person's own slips. By name: many addresses at one door. By address: many doors.
BY_BOTH, BY_NAME, BY_ADDRESS = Limit(5, 900), Limit(50, 3600), Limit(30, 900)


class Failures:
    """The failures of the last while."""

    def __init__(self, clock: Callable[[], float] = monotonic) -> None:
        self._clock = clock
        self._lock = Lock()
        self._times: OrderedDict[str, deque[float]] = OrderedDict()

    def check(self, name: str, address: str) -> None:
        """Raises Refused (429) while there were too many."""
        with self._lock:
            wait = max(self._wait(key, limit) for key, limit in _keys(name, address).items())
        if wait > 0:
            raise Refused(429, "too-often", wait_s=int(wait) + 1)

    def note(self, name: str, address: str) -> None:
        """One more."""
        with self._lock:
            for key, limit in _keys(name, address).items():
                self._times.setdefault(key, deque(maxlen=limit.failures)).append(self._clock())
                self._times.move_to_end(key)
            while len(self._times) > _KEYS:
                self._times.popitem(last=False)

    def forgive(self, name: str, address: str) -> None:
        """The person has proven who they are: their own slips are forgotten."""
        with self._lock:
            self._times.pop(next(iter(_keys(name, address))), None)

    def _wait(self, key: str, limit: Limit) -> float:
        times = self._times.get(key)
        if times is None or len(times) < limit.failures:
            return 0.0
        return times[0] + limit.within_s - self._clock()


def _keys(name: str, address: str) -> dict[str, Limit]:
    plain = name.strip().casefold()[:128]
    return {f"both {plain}\n{address}": BY_BOTH, f"name {plain}": BY_NAME, f"address {address}": BY_ADDRESS}
