"""Uploads in parts: a photograph arrives at an offset, and goes on from there after an interruption.

The phone asks for the offset, sends the next part at it, and finishes. Each step is idempotent: a part at another
offset is rejected with the right one, and a finished upload remembers its photograph. Uploads belong to an account.
Bytes are stored in a folder of this server, so that a restart loses none; they are deleted when the photograph is
stored, or a week later.
"""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from time import time
from typing import Final

from stripread.store.settings import Settings
from stripread.web.refusals import HTTPRefusal

#: Largest part and upload, bytes; age at which an unfinished upload is deleted, seconds.
PART_BYTES: Final = 2**20
MOST_BYTES: Final = 40 * 2**20
_OLDEST_S: Final = 7 * 86400
#: Unfinished uploads of one account; beyond it the oldest is dropped, and the phone starts that one again.
_MOST: Final = 50
_BYTES, _DONE = ".bytes", ".done"


@dataclass(frozen=True, slots=True)
class UploadState:
    """``offset``: bytes that have arrived; ``photograph``: id of the stored photograph once it is finished."""

    offset: int
    photograph: str = ""


class PartialUploads:
    """Unfinished uploads of one server, as files."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = Lock()

    def state(self, account: str, key: str) -> UploadState:
        """Return how much has arrived; nothing for an unknown key."""
        done = self._path(account, key, _DONE)
        if done.exists():
            return UploadState(0, done.read_text(encoding="ascii"))
        path = self._path(account, key, _BYTES)
        return UploadState(path.stat().st_size if path.exists() else 0)

    def append(self, account: str, key: str, offset: int, part: bytes) -> UploadState:
        """Add a part at its offset; at another offset nothing is added. Return how much has arrived."""
        with self._lock:
            state = self.state(account, key)
            if state.photograph or state.offset != offset:
                return state
            if offset + len(part) > MOST_BYTES:
                raise HTTPRefusal(413, "too-large")
            self._write(account, key, part)
            return UploadState(offset + len(part))

    def contents(self, account: str, key: str) -> bytes:
        """Return the bytes of an upload that has arrived; empty for an unknown key."""
        path = self._path(account, key, _BYTES)
        return path.read_bytes() if path.exists() else b""

    def finish(self, account: str, key: str, photograph: str) -> None:
        """Replace the bytes by the id of the stored photograph."""
        with self._lock:
            self._path(account, key, _DONE).write_text(photograph, encoding="ascii")
            self._path(account, key, _BYTES).unlink(missing_ok=True)

    def discard(self, account: str, key: str) -> None:
        """Delete the bytes of an upload, so that it starts again."""
        with self._lock:
            for kind in (_BYTES, _DONE):
                self._path(account, key, kind).unlink(missing_ok=True)

    def _write(self, account: str, key: str, part: bytes) -> None:
        path = self._path(account, key, _BYTES)
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._drop(path.parent)
        with path.open("ab") as file:
            file.write(part)

    def _path(self, account: str, key: str, kind: str) -> Path:
        """Return the path of a file; its name is a hash, whatever the account and key are."""
        owner, name = (hashlib.sha256(text.encode()).hexdigest()[:32] for text in (account, f"{account}\n{key}"))
        return self._folder / owner / f"{name}{kind}"

    @staticmethod
    def _drop(folder: Path) -> None:
        files = sorted(folder.iterdir(), key=lambda f: f.stat().st_mtime, reverse=True)
        unfinished = [f for f in files if f.suffix == _BYTES]
        for file in files:
            if file.stat().st_mtime < time() - _OLDEST_S or file in unfinished[_MOST - 1:]:
                file.unlink(missing_ok=True)


def partial_uploads(settings: Settings) -> PartialUploads:
    """Return the unfinished uploads of a store: next to its photographs, or in the system's temporary folder."""
    local = settings.photographs and "://" not in settings.photographs
    folder = Path(settings.photographs).parent if local else Path(tempfile.gettempdir()) / "stripread"
    return PartialUploads(folder / "uploads")
