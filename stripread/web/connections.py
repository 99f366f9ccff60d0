"""Connections to the server: limits per client and in total, deadlines for TLS handshake, request heads and bodies.

A client is an address. A connection over which a signed-in account has asked is exempt. Where a bound is reached the
oldest connection that has not signed in is closed, of those first that have no complete request: silent ones push out
each other, a new one always gets in, and a request that is being answered, such as a sign-in, is not cut off.
"""

from __future__ import annotations

import asyncio
import ssl
from collections import OrderedDict
from typing import Any, Final, Protocol

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

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


#: What a client has for the TLS handshake, and for a request head from its first byte (the first head: from the
#: connection), seconds.
HEAD_S: Final = 10.0
#: How often the progress of a body is checked, seconds, and the least rate it needs then, bytes a second.
BODY_S: Final = 30.0
LEAST_RATE: Final = 500
#: States of the client in which it owes something: a head, a body.
_OWED: Final = (h11.IDLE, h11.SEND_BODY)


class Connection(H11Protocol):
    """One connection, admitted by a gate; with ``tls`` it starts with a handshake.

    An app marks it as that of a signed-in account by calling ``request.state.signed_in()``.
    """

    def __init__(self, *args: Any, gate: Gate, tls: ssl.SSLContext | None, **given: Any) -> None:
        super().__init__(*args, **given)
        self.app_state = {**self.app_state, "signed_in": self._signed_in}
        self._gate, self._tls = gate, tls
        self._raw: asyncio.Transport | None = None
        self._handshake: asyncio.Task[None] | None = None
        self._deadline: asyncio.TimerHandle | None = None
        self._owed: type[h11.IDLE | h11.SEND_BODY] | None = None
        self._received = 0
        self._early = bytearray()

    def close_now(self) -> None:
        """End it without waiting for the client."""
        if self._raw is not None:
            self._raw.abort()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Admit it; then the handshake, or the first request."""
        self._raw = transport
        peer = transport.get_extra_info("peername")
        self._gate.enter(self, str(peer[0]) if peer else "")
        if self._tls is None:
            self._open(transport)
        else:
            transport.pause_reading()
            self._handshake = self.loop.create_task(self._secured(transport, self._tls))

    async def _secured(self, transport: asyncio.Transport, tls: ssl.SSLContext) -> None:
        try:
            secure = await self.loop.start_tls(transport, self, tls, server_side=True, ssl_handshake_timeout=HEAD_S)
        except (TimeoutError, OSError, ssl.SSLError):
            secure = None
        if secure is None:
            transport.abort()
            self._gate.leave(self)
        else:
            self._open(secure)

    def _open(self, transport: asyncio.Transport) -> None:
        super().connection_made(transport)
        self._expect()
        if self._early:
            self.data_received(bytes(self._early))

    def data_received(self, data: bytes) -> None:
        """Pass it on, then see what the client still owes."""
        if self.transport is None:  # comes with the last message of the handshake, before that has returned
            self._early += data
            return
        self._received += len(data)
        super().data_received(data)
        self._expect()
        self._gate.answering(self, now=self.conn.their_state not in _OWED)

    def on_response_complete(self) -> None:
        """Note that the answer is complete."""
        self._gate.answering(self, now=False)
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        """It has ended."""
        self._gate.leave(self)
        self._expect_nothing()
        if self.transport is not None:
            super().connection_lost(exc)

    def _signed_in(self) -> None:
        self._gate.signed_in(self)

    def _expect(self) -> None:
        """Start the deadline of what the client owes now: a request's head, its body, or nothing."""
        owed = self.conn.their_state if self.conn.their_state in _OWED else None
        if owed is self._owed:
            return
        self._expect_nothing()
        self._owed, self._received = owed, 0
        if owed is h11.IDLE:
            self._deadline = self.loop.call_later(HEAD_S, self.close_now)
        elif owed is h11.SEND_BODY:
            self._deadline = self.loop.call_later(BODY_S, self._check_body)

    def _expect_nothing(self) -> None:
        self._owed = None
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _check_body(self) -> None:
        """Close it where the client sends too slowly, but not while this server has not asked for more."""
        not_asked = self.flow.read_paused or self.cycle.waiting_for_100_continue
        if not not_asked and self._received < LEAST_RATE * BODY_S:
            self.close_now()
            return
        self._owed = None
        self._expect()
