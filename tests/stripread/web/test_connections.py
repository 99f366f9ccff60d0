"""Connections that only wait: they push out each other, and people who work notice nothing. Loopback only."""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import httpx
import pytest

from stripread.web import connections
from stripread.web.connections import MOST, MOST_OF_A_CLIENT, Gate
from stripread.web.refusals import AnonymousRequests, HTTPRefusal, Uploads
from stripread.web.state import ServerConfig
from stripread.web.worker import Workers

from .conftest import Browser, Served, serving, store_in

SILENT = 2000


class Ended:
    """A connection that notes that it was closed."""

    def __init__(self) -> None:
        self.closed = False

    def close_now(self) -> None:
        self.closed = True


def test_the_oldest_of_a_client_makes_room() -> None:
    gate = Gate(most=10, most_of_a_client=3)
    other, mine = Ended(), [Ended() for _ in range(5)]
    gate.enter(other, "192.0.2.1")
    for connection in mine:
        gate.enter(connection, "192.0.2.2")
    assert [c.closed for c in mine] == [True, True, False, False, False]
    assert not other.closed
    assert len(gate) == 4


def test_a_signed_in_connection_is_exempt() -> None:
    gate = Gate(most=10, most_of_a_client=2)
    known, others = Ended(), [Ended() for _ in range(4)]
    gate.enter(known, "192.0.2.1")
    gate.signed_in(known)
    for connection in others:
        gate.enter(connection, "192.0.2.1")
    assert not known.closed
    assert [c.closed for c in others] == [True, True, False, False]


def test_the_client_with_most_makes_room_for_all() -> None:
    """From a trusted proxy's address only the bound on all applies."""
    gate = Gate(frozenset({"192.0.2.9"}), most=5, most_of_a_client=2)
    one, many, late = Ended(), [Ended() for _ in range(4)], Ended()
    gate.enter(one, "192.0.2.1")
    for connection in many:
        gate.enter(connection, "192.0.2.9")
    gate.enter(late, "192.0.2.2")
    assert [c.closed for c in (one, *many, late)] == [False, True, False, False, False, False]


def test_a_request_that_is_being_answered_is_cut_off_last() -> None:
    """A sign-in takes longer than a flood of silent connections from the same address takes to fill its places."""
    gate = Gate(most=10, most_of_a_client=3)
    signing_in, silent = Ended(), [Ended() for _ in range(4)]
    gate.enter(signing_in, "192.0.2.1")
    gate.answering(signing_in, now=True)
    for connection in silent:
        gate.enter(connection, "192.0.2.1")
    assert not signing_in.closed
    assert [c.closed for c in silent] == [True, True, False, False]
    gate.answering(signing_in, now=False)
    gate.enter(Ended(), "192.0.2.1")
    assert signing_in.closed


def test_where_all_have_signed_in_a_new_one_is_closed() -> None:
    gate = Gate(most=2, most_of_a_client=2)
    known, late = [Ended(), Ended()], Ended()
    for connection in known:
        gate.enter(connection, "192.0.2.1")
        gate.signed_in(connection)
    gate.enter(late, "192.0.2.1")
    assert late.closed
    assert not any(c.closed for c in known)
    gate.leave(known[0])
    gate.enter(Ended(), "192.0.2.1")
    assert len(gate) == 2


@pytest.fixture(params=["http", "https"])
def server(request: pytest.FixtureRequest, tmp_path: Path, workers: Workers) -> Iterator[Served]:
    """A server of its own, in the clear or over TLS."""
    cert, key = request.getfixturevalue("certificate") if request.param == "https" else (None, None)
    with serving(store_in(tmp_path), workers, ServerConfig(port=0, cert=cert, key=key)) as running:
        yield running


def technician_of(server: Served) -> Browser:
    """Signed in, over a connection of its own."""
    technician = server.role("technician")
    server.app.code = ""
    if server.app.serving.cert:
        trusting = ssl.create_default_context(cafile=str(server.app.serving.cert))
        client = httpx.Client(base_url=server.url, verify=trusting, headers={"accept": "text/html"}, timeout=30)
        client.cookies.set("__Host-session", technician.secret, domain="127.0.0.1", path="/")
        server.clients.append(client)
        return Browser(client, technician.secret)
    return technician


def address_of(server: Served) -> tuple[str, int]:
    url = httpx.URL(server.url)
    return url.host, url.port or 0


def test_a_technician_works_among_silent_and_half_open_connections(server: Served) -> None:
    """2,000 of them, a third silent, a third with half a request head, a third closed for writing."""
    technician, starts = technician_of(server), (b"", b"GET / HTTP/1.1\r\nHost: x\r\nX-Half: ", b"P")
    assert technician.get("/take").status_code == 200
    with ExitStack() as stack:
        for number in range(SILENT):
            asked = stack.enter_context(socket.create_connection(address_of(server), timeout=10))
            asked.sendall(starts[number % 3])
            if number % 3 == 2:
                asked.shutdown(socket.SHUT_WR)
            if number % 100 == 99:
                assert technician.get("/take").status_code == 200
        newcomer = technician_of(server)
        assert newcomer.get("/take").status_code == 200
        assert newcomer.get("/sign-in").status_code == 200


def ended_within(asked: socket.socket, seconds: float) -> bool:
    """Whether the server closes the connection in that time."""
    asked.settimeout(seconds)
    try:
        while asked.recv(65536):
            pass
    except TimeoutError:
        return False
    except OSError:
        pass
    return True


#: Bytes of a head that a client sends one by one; a server without a deadline takes them all.
TRICKLE = 200


def test_a_head_that_trickles_in_is_cut_off(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also after a request that was answered: each head has its own deadline."""
    monkeypatch.setattr(connections, "HEAD_S", 0.5)
    with socket.create_connection(address_of(served)) as asked:
        asked.sendall(b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert asked.recv(65536).startswith(b"HTTP/1.1 200")
        sent = 0
        with suppress(OSError):  # a pipe that broke, or a connection reset
            while sent < TRICKLE:
                asked.sendall(b"G")
                sent += 1
                time.sleep(0.1)
        assert sent < TRICKLE


def test_a_body_that_trickles_in_is_cut_off(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """At the first check one client has sent 5 bytes and the other nearly all; there is no second check."""
    check = connections.Connection._check_body

    def first_check(connection: connections.Connection) -> None:
        monkeypatch.setattr(connections, "BODY_S", 60.0)
        check(connection)

    monkeypatch.setattr(connections, "BODY_S", 1.0)
    monkeypatch.setattr(connections.Connection, "_check_body", first_check)
    head = (f"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: {served.url}\r\nContent-Length: 60000\r\n"
            "Content-Type: application/x-www-form-urlencoded\r\n\r\n").encode()
    with socket.create_connection(address_of(served)) as slow, socket.create_connection(address_of(served)) as steady:
        steady.sendall(head + b"x" * 59_000)
        slow.sendall(head + b"name=")
        assert ended_within(slow, 30)
        steady.sendall(b"x" * 1000)
        steady.settimeout(30)
        assert steady.recv(65536).startswith(b"HTTP/1.1 4")


def test_two_statements_of_length_are_refused_and_the_connection_closed(served: Served) -> None:
    """RFC 9112, 6.3: a request with both may be an attempt at smuggling."""
    with socket.create_connection(address_of(served)) as asked:
        asked.sendall(b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\n"
                      b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        answers = b""
        asked.settimeout(5)
        while part := asked.recv(65536):
            answers += part
    assert answers.startswith(b"HTTP/1.1 400")
    assert answers.count(b"HTTP/1.1") == 1


def test_uploads_at_a_time_are_bounded() -> None:
    """Photographs beyond the budget are refused with 503 until one is done; small requests are not counted."""
    uploads = Uploads(10 * 2**20)
    with ExitStack() as running:
        for size in (6 * 2**20, 4 * 2**20, 1000):
            running.enter_context(uploads.room_for(size))
        with pytest.raises(HTTPRefusal, match="503"):
            running.enter_context(uploads.room_for(2**20))
    with uploads.room_for(10 * 2**20):
        pass


def test_requests_of_an_unknown_client_at_a_time_are_bounded() -> None:
    unknown = AnonymousRequests(2)
    with ExitStack() as running:
        for address in ("192.0.2.1", "192.0.2.1", "192.0.2.2"):
            running.enter_context(unknown.one_of(address))
        with pytest.raises(HTTPRefusal, match="503"):
            running.enter_context(unknown.one_of("192.0.2.1"))
    with unknown.one_of("192.0.2.1"):
        pass


def test_bounds_leave_room_for_other_files() -> None:
    """A common soft limit of open files is 1024."""
    assert MOST_OF_A_CLIENT < MOST <= 1024 - 200
