"""State shared by all handlers: store, texts, rate limits, workers, server configuration."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

from stripread.store import sign_ins
from stripread.store.settings import Settings
from stripread.store.store import Store
from stripread.web.limits import FailureCounter
from stripread.web.messages import Messages, load_messages
from stripread.web.metrics import Metrics
from stripread.web.partial_uploads import PartialUploads, partial_uploads
from stripread.web.passwords import Passwords
from stripread.web.room import AnonymousRequests, Uploads
from stripread.web.server_config import ServerConfig
from stripread.web.thumbnails import ThumbnailCache
from stripread.web.worker import Workers

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
    failures: FailureCounter = field(default_factory=FailureCounter)
    uploads: Uploads = field(default_factory=Uploads)
    unknown: AnonymousRequests = field(default_factory=AnonymousRequests)
    metrics: Metrics = field(default_factory=Metrics)
    code: str = ""
    gallery: ThumbnailCache = field(init=False)
    partials: PartialUploads = field(init=False)

    def __post_init__(self) -> None:
        self.gallery = ThumbnailCache(self.store, self.workers)
        self.partials = partial_uploads(self.settings)
        if not sign_ins.anyone(self.store):
            self.code = _new_code()


def _new_code() -> str:
    """Return three groups of four characters: 60 bits, with limited attempts."""
    return "-".join("".join(secrets.choice(_CLEAR) for _ in range(4)) for _ in range(3))
