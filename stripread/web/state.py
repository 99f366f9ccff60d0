"""State shared by all handlers: store, texts, rate limits, workers, server configuration, metrics."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest

from stripread.store import attempts, sign_ins
from stripread.store.settings import Settings
from stripread.store.store import Store
from stripread.web.limits import AnonymousRequests, FailureCounter, Uploads
from stripread.web.messages import Messages, load_messages
from stripread.web.partial_uploads import PartialUploads, partial_uploads
from stripread.web.passwords import Passwords
from stripread.web.server_config import ServerConfig
from stripread.web.thumbnails import ThumbnailCache
from stripread.web.worker import Workers

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


#: Letters and digits that cannot be confused on a terminal.
_CLEAR = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"


@dataclass(slots=True, kw_only=True)
class AppState:
    """One running server. ``settings``: those of the records.

    ``code``: what proves that the first person sits at the server's terminal; "" once somebody can sign in.
    """

    store: Store
    settings: Settings
    workers: Workers
    serving: ServerConfig = field(default_factory=ServerConfig)
    words: Messages = field(default_factory=load_messages)
    passwords: Passwords = field(default_factory=Passwords)
    uploads: Uploads = field(default_factory=Uploads)
    unknown: AnonymousRequests = field(default_factory=AnonymousRequests)
    metrics: Metrics = field(default_factory=Metrics)
    code: str = ""
    gallery: ThumbnailCache = field(init=False)
    partials: PartialUploads = field(init=False)
    failures: FailureCounter = field(init=False)

    def __post_init__(self) -> None:
        self.gallery = ThumbnailCache(self.store, self.workers)
        self.partials = partial_uploads(self.settings)
        self.failures = FailureCounter(self.store)
        if not sign_ins.anyone(self.store):
            self.code = _new_code()
            attempts.add_setup_code(self.store, bare_code(self.code))


def bare_code(code: str) -> str:
    """Return a setup code without spaces and hyphens, in capital letters."""
    return "".join(c for c in code.upper() if c.isalnum())


def _new_code() -> str:
    """Return three groups of four characters: 60 bits, with limited attempts."""
    return "-".join("".join(secrets.choice(_CLEAR) for _ in range(4)) for _ in range(3))
