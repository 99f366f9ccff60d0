"""Metrics of this server for Prometheus."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest

#: Histogram buckets, seconds: from a static page to an evaluation on a busy server.
_BUCKETS = (0.01, 0.03, 0.1, 0.3, 1.0, 2.0, 5.0, 15.0, 60.0)


class Metrics:
    """``answered``: seconds by route, method and status; ``read``: photographs by outcome; ``sign_ins`` likewise."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self.answered = Histogram("stripread_request_seconds", "Time to answer a request",
                                  ("route", "method", "status"), buckets=_BUCKETS, registry=self._registry)
        self.read = Counter("stripread_photographs", "Photographs by outcome", ("outcome",),
                            registry=self._registry)
        self.sign_ins = Counter("stripread_sign_ins", "Attempts to sign in", ("outcome",), registry=self._registry)

    def failed_sign_ins(self) -> int:
        """Return the number of failed attempts to sign in since the server started."""
        return int(self._registry.get_sample_value("stripread_sign_ins_total", {"outcome": "refused"}) or 0)

    def text(self) -> bytes:
        """Return the metrics in the text format of Prometheus."""
        return generate_latest(self._registry)
