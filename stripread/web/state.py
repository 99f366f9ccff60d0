"""State shared by all handlers: store, texts, limits, workers, configuration, metrics, long tasks, thumbnails."""

from __future__ import annotations

import secrets
from collections import OrderedDict
from dataclasses import dataclass, field
from threading import Lock
from typing import Final

from shared.decoders import from_msgpack
from stripread.store import sign_ins
from stripread.store.models.evidence import StoredReading
from stripread.store.partial_uploads import PartialUploads
from stripread.store.settings import Settings
from stripread.store.store import Store
from stripread.web.activity import Metrics
from stripread.web.authentication import Passwords
from stripread.web.jobs import Jobs
from stripread.web.refusals import AnonymousRequests, FailureCounter, Uploads
from stripread.web.server_config import ServerConfig
from stripread.web.static_files import Messages, load_messages
from stripread.web.worker import Workers
from stripread.web.worker_process import PhotoThumbnails, views

#: How many photographs' views are remembered; each is about a third of a megabyte.
_REMEMBERED: Final = 60


class ThumbnailCache:
    """The views of readings' photographs."""

    def __init__(self, store: Store, workers: Workers) -> None:
        self._store = store
        self._workers = workers
        self._lock = Lock()
        self._known: OrderedDict[str, PhotoThumbnails] = OrderedDict()

    def of(self, stored: StoredReading) -> PhotoThumbnails:
        """The views of a reading. Raises InputError where the photograph is gone or can no longer be decoded."""
        with self._lock:
            if stored.id in self._known:
                self._known.move_to_end(stored.id)
                return self._known[stored.id]
        made = self._made(stored)
        with self._lock:
            self._known[stored.id] = made
            while len(self._known) > _REMEMBERED:
                self._known.popitem(last=False)
        return made

    def _made(self, stored: StoredReading) -> PhotoThumbnails:
        pads = {pad.analyte: pad.outline_px for pad in stored.reading.pads}
        return from_msgpack(
            self._workers.do(views, data=self._store.photographs.get(stored.photograph), pads=pads),
            PhotoThumbnails,
        )


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
    messages: Messages = field(default_factory=load_messages)
    passwords: Passwords = field(default_factory=Passwords)
    uploads: Uploads = field(default_factory=Uploads)
    anonymous: AnonymousRequests = field(default_factory=AnonymousRequests)
    metrics: Metrics = field(default_factory=Metrics)
    code: str = ""
    gallery: ThumbnailCache = field(init=False)
    partials: PartialUploads = field(init=False)
    failures: FailureCounter = field(init=False)
    jobs: Jobs = field(init=False)

    def __post_init__(self) -> None:
        self.gallery = ThumbnailCache(self.store, self.workers)
        self.partials = PartialUploads(self.store)
        self.failures = FailureCounter(self.store)
        self.jobs = Jobs(self.store)
        if not sign_ins.anyone(self.store):
            self.code = _new_code()
            sign_ins.add_setup_code(self.store, bare_code(self.code))


def bare_code(code: str) -> str:
    """Return a setup code without spaces and hyphens, in capital letters."""
    return "".join(c for c in code.upper() if c.isalnum())


def _new_code() -> str:
    """Return three groups of four characters: 60 bits, with limited attempts."""
    return "-".join("".join(secrets.choice(_CLEAR) for _ in range(4)) for _ in range(3))
