"""Metrics of this server: for Prometheus since its start, and by hour of the last 24 hours for the page System."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from threading import Lock
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest

from stripread.store.store import Clock, utc_now

HOURS: Final = 24
#: Times of answers that an hour remembers, and failed sign-ins that are listed.
_TIMES, _FAILURES = 2000, 200
_SHARE: Final = 0.95
#: Histogram buckets, seconds: from a static page to an evaluation on a busy server.
_BUCKETS: Final = (0.01, 0.03, 0.1, 0.3, 1.0, 2.0, 5.0, 15.0, 60.0)


@dataclass(frozen=True, slots=True)
class SignInFailure:
    """A failed attempt to sign in; ``account``: that of the name, "" if no account has it."""

    at: datetime
    account: str
    address: str


@dataclass(slots=True)
class HourOfActivity:
    """Numbers of one hour; ``times``: seconds of the latest answers."""

    requests: int = 0
    photographs: int = 0
    failed: int = 0
    times: deque[float] = field(default_factory=lambda: deque(maxlen=_TIMES))

    @property
    def slow_s(self) -> float:
        """Time within which 95 % of the requests were answered, seconds; 0 without any."""
        ordered = sorted(self.times)
        return ordered[min(len(ordered) - 1, int(_SHARE * len(ordered)))] if ordered else 0.0


class ServerActivity:
    """Counts by hour; a restart of the server begins anew."""

    def __init__(self, clock: Clock = utc_now) -> None:
        self._clock = clock
        self._lock = Lock()
        self._hours: OrderedDict[datetime, HourOfActivity] = OrderedDict()
        self._failures: deque[SignInFailure] = deque(maxlen=_FAILURES)

    def answered(self, seconds: float) -> None:
        """Count a request."""
        with self._lock:
            hour = self._hour()
            hour.requests += 1
            hour.times.append(seconds)

    def photograph(self) -> None:
        """Count an evaluated photograph."""
        with self._lock:
            self._hour().photographs += 1

    def failed_sign_in(self, account: str, address: str) -> None:
        """Count and list a failed attempt."""
        with self._lock:
            self._hour().failed += 1
            self._failures.append(SignInFailure(self._clock(), account, address))

    def hours(self) -> list[HourOfActivity]:
        """Return the last 24 hours, the present one last."""
        now = _hour_of(self._clock())
        with self._lock:
            return [self._hours.get(now - timedelta(hours=n)) or HourOfActivity() for n in reversed(range(HOURS))]

    def failures(self) -> Sequence[SignInFailure]:
        """Return the failed attempts of the last 24 hours, the latest first."""
        since = self._clock() - timedelta(hours=HOURS)
        with self._lock:
            return [f for f in reversed(self._failures) if f.at >= since]

    def _hour(self) -> HourOfActivity:
        """Return the present hour; earlier ones than a day ago are dropped."""
        hour = self._hours.setdefault(_hour_of(self._clock()), HourOfActivity())
        while len(self._hours) > HOURS + 1:
            self._hours.popitem(last=False)
        return hour


def _hour_of(moment: datetime) -> datetime:
    return moment.replace(minute=0, second=0, microsecond=0)


class Metrics:
    """``recent``: what happened in the last 24 hours, by hour."""

    def __init__(self) -> None:
        self.recent = ServerActivity()
        self._registry = CollectorRegistry()
        self._answered = Histogram("stripread_request_seconds", "Time to answer a request",
                                   ("route", "method", "status"), buckets=_BUCKETS, registry=self._registry)
        self._read = Counter("stripread_photographs", "Photographs by outcome", ("outcome",), registry=self._registry)
        self._sign_ins = Counter("stripread_sign_ins", "Attempts to sign in", ("outcome",), registry=self._registry)

    def answered(self, route: str, method: str, status: int, seconds: float) -> None:
        """Count a request."""
        self._answered.labels(route, method, str(status)).observe(seconds)
        self.recent.answered(seconds)

    def read(self, outcome: str) -> None:
        """Count an evaluated photograph."""
        self._read.labels(outcome).inc()
        self.recent.photograph()

    def signed_in(self) -> None:
        """Count a successful sign-in."""
        self._sign_ins.labels("let in").inc()

    def sign_in_failed(self, account: str, address: str) -> None:
        """Count a failed attempt to sign in; ``account``: that of the name, "" if no account has it."""
        self._sign_ins.labels("refused").inc()
        self.recent.failed_sign_in(account, address)

    def text(self) -> bytes:
        """Return the metrics in the text format of Prometheus."""
        return generate_latest(self._registry)
