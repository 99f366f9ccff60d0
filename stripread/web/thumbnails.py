"""Thumbnails of photographs, made in a worker and cached; a page never contains the file itself."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Final

from shared.decoders import from_msgpack
from stripread.store.models.evidence import StoredReading
from stripread.store.store import Store
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
