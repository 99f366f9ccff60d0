"""Address of a stored photograph: a job contains it, and the process that evaluates the photograph opens it.

Bytes of photographs so pass through no queue and no scheduler. A bucket's credentials come from the ``AWS_...``
variables of the process that opens it.
"""

from __future__ import annotations

from dataclasses import dataclass

from stripread.reading.photo_file import PhotoFile
from stripread.store.photos import open_photographs


@dataclass(frozen=True, slots=True)
class StoredPhoto:
    """A photograph in the store at ``place``; ``name``: for messages."""

    place: str
    sha256: str
    name: str

    def open(self) -> PhotoFile:
        """Return the file. Raises RecordsError if it is missing or damaged."""
        return PhotoFile(self.name, open_photographs(self.place).get(self.sha256))
