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

    def of(self, kept: StoredReading) -> PhotoThumbnails:
        """The views of a reading. Raises InputError where the photograph is gone or can no longer be decoded."""
        with self._lock:
            if kept.id in self._known:
                self._known.move_to_end(kept.id)
                return self._known[kept.id]
        made = self._made(kept)
        with self._lock:
            self._known[kept.id] = made
            while len(self._known) > _REMEMBERED:
                self._known.popitem(last=False)
        return made

    def _made(self, kept: StoredReading) -> PhotoThumbnails:
        pads = {pad.analyte: pad.outline_px for pad in kept.reading.pads}
        return from_msgpack(
            self._workers.do(views, data=self._store.photographs.get(kept.photograph), pads=pads),
            PhotoThumbnails,
        )
