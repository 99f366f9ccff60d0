"""A daily verification from a checkpoint, compared with a full one, over 100 000 entries of the audit trail."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from sqlalchemy import select

from stripread.store.audit_trail import Checkpoint
from stripread.store.integrity import IntegrityReport, verify_store
from stripread.store.schema import AUDIT_TRAIL
from stripread.store.store import Store
from stripread.store.verification import verify_since
from tests.bench.many_records import build

#: A reading has 3.5 entries: photograph, reading, assessment, and every other one a review.
ENTRIES, ENTRIES_A_READING = 100_000, 3.5
#: Entries of a day, of a store that was filled in a year.
_DAYS: Final = 365


def checkpoint_before(store: Store, entries: int) -> Checkpoint:
    """Return the checkpoint after which there are that many entries."""
    seq = store.head().entries - entries
    with store.viewing() as connection:
        return Checkpoint(entries=seq, hash=str(connection.scalar(
            select(AUDIT_TRAIL.c.hash).where(AUDIT_TRAIL.c.seq == seq))))


def _timed(verify: Callable[[], IntegrityReport]) -> float:
    start = time.perf_counter()
    found = verify()
    assert not found.wrong, found.wrong
    return time.perf_counter() - start


def run(entries: int = ENTRIES) -> None:
    """Print the ratio."""
    with tempfile.TemporaryDirectory() as name:
        store = build(Path(name) / "store", round(entries / ENTRIES_A_READING))
        head = checkpoint_before(store, store.head().entries // _DAYS)
        since = min(_timed(lambda: verify_since(store, head)) for _ in range(3))
        whole = _timed(lambda: verify_store(store))
        print(f"audit verify --since-checkpoint, a day of {store.head().entries} entries: 1/{whole / since:.0f} of a "
              "full verification (at most 1/50)")
        store.close()


if __name__ == "__main__":
    run()
