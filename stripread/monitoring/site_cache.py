"""Values that follow from the records of each site, computed again only for sites with changed records.

The audit trail names every change, also those of other servers, so that a value is never out of date.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from threading import Lock
from typing import Generic, TypeVar

from stripread.store.audit_trail import checkpoint
from stripread.store.changed_sites import changed_sites
from stripread.store.store import Store

T = TypeVar("T")
#: Returns the values of these sites by site, or of all; sites without a value are missing.
Compute = Callable[[frozenset[str] | None], Mapping[str, T]]


class SiteCache(Generic[T]):
    """Values by site, shared by the threads of a process; one computes them while the others wait."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._values: Mapping[str, T] = {}
        self._key: Hashable = None
        self._entries = 0

    def has(self, key: Hashable) -> bool:
        """Return whether values under this key are known, perhaps not the latest."""
        return self._key == key

    def values(self, store: Store, key: Hashable, compute: Compute[T]) -> Mapping[str, T]:
        """Return the values of all sites; ``key``: everything but the records of sites that they follow from."""
        with self._lock:
            with store.viewing() as connection:
                # Read before the values: what changes in between is computed once more next time.
                entries = checkpoint(connection).entries
                changed = changed_sites(connection, self._entries) if self._key == key else None
            if changed is None:
                self._values = compute(None)
            elif changed:
                kept = {site: value for site, value in self._values.items() if site not in changed}
                self._values = {**kept, **compute(changed)}
            self._key, self._entries = key, entries
            return self._values
