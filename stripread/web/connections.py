"""A connection to the server: uvicorn's protocol with deadlines for its TLS handshake, request heads and bodies."""

from __future__ import annotations

import asyncio
import ssl
from typing import Any, Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from stripread.web.gate import Gate

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
