"""Address of a stored photograph: a job contains it, and the process that evaluates the photograph opens it.

Bytes of photographs so pass through no queue and no scheduler. A bucket's credentials come from the ``AWS_...``
variables of the process that opens it.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache

from stripread.reading.photo_file import PhotoFile
from stripread.store.photos import PhotoStore, open_photographs


@dataclass(frozen=True, slots=True)
class StoredPhoto:
    """A photograph in the store at ``place``; ``name``: for messages."""

    place: str
    sha256: str
    name: str

    def open(self) -> PhotoFile:
        """Return the file. Raises RecordsError if it is missing or damaged."""
        return PhotoFile(self.name, opened(self.place).get(self.sha256))


def opened(place: str) -> PhotoStore:
    """Return the photograph store at a place, opened once in each process."""
    return _opened(place, tuple(sorted((n, v) for n, v in os.environ.items() if n.startswith("AWS_"))))


@lru_cache(maxsize=4)
def _opened(place: str, _variables: tuple[tuple[str, str], ...]) -> PhotoStore:
    return open_photographs(place)
