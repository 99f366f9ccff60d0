"""Limits on open connections, per client and in total.

A client is an address. A connection over which a signed-in account has asked is exempt. Where a bound is reached the
oldest connection that has not signed in is closed, of those first that have no complete request: silent ones push out
each other, a new one always gets in, and a request that is being answered, such as a sign-in, is not cut off.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Final, Protocol

#: Largest number of open connections: in total, and of one client without a signed-in account.
MOST, MOST_OF_A_CLIENT = 800, 100


class OpenConnection(Protocol):
    """An open connection."""

    def close_now(self) -> None:
        """Close it without waiting for the client."""


class Gate:
    """The open connections of one server; used by its event loop's thread alone.

    ``shared``: addresses shared by many clients, such as a trusted proxy's; only the total limit applies to them.
    """

    def __init__(self, shared: frozenset[str] = frozenset(), most: int = MOST,
                 most_of_a_client: int = MOST_OF_A_CLIENT) -> None:
        self._shared: Final = shared
        self._most: Final = most
        self._most_of_a_client: Final = most_of_a_client
        self._open: dict[OpenConnection, str] = {}
        self._unknown: dict[str, OrderedDict[OpenConnection, None]] = {}
        self._answering: set[OpenConnection] = set()

    def __len__(self) -> int:
        return len(self._open)

    def enter(self, connection: OpenConnection, client: str) -> None:
        """Count a new connection; close another one if there are too many."""
        of_client = self._unknown.get(client, ())
        if client not in self._shared and len(of_client) >= self._most_of_a_client:
            self._close_oldest(client)
        elif len(self._open) >= self._most and self._unknown:
            self._close_oldest(max(self._unknown, key=lambda c: len(self._unknown[c])))
        self._open[connection] = client
        self._unknown.setdefault(client, OrderedDict())[connection] = None
        if len(self._open) > self._most:  # all others have signed in
            self._close(connection)

    def signed_in(self, connection: OpenConnection) -> None:
        """Exempt a connection over which a signed-in account asks."""
        if connection in self._open:
            self._forget(connection, self._open[connection])

    def answering(self, connection: OpenConnection, *, now: bool) -> None:
        """Note whether a complete request of the connection is being answered."""
        if now and connection in self._open:
            self._answering.add(connection)
        else:
            self._answering.discard(connection)

    def leave(self, connection: OpenConnection) -> None:
        """A connection has ended. It may have been closed here."""
        self._answering.discard(connection)
        client = self._open.pop(connection, None)
        if client is not None:
            self._forget(connection, client)

    def _close_oldest(self, client: str) -> None:
        of_client = self._unknown[client]
        self._close(next((c for c in of_client if c not in self._answering), next(iter(of_client))))

    def _close(self, connection: OpenConnection) -> None:
        self.leave(connection)
        connection.close_now()

    def _forget(self, connection: OpenConnection, client: str) -> None:
        of_client = self._unknown.get(client)
        if of_client is not None:
            of_client.pop(connection, None)
            if not of_client:
                del self._unknown[client]
