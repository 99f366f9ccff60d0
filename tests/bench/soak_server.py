"""Kill a server under upload at random moments: `python -m tests.bench.soak_server [KILLS [SEED]]` [default: 100].

Phones send photographs at once. Each kill comes at a moment chosen uniformly over the time that the last undisturbed
round took. After it every photograph that was acknowledged is there with its reading, the store verifies, and a server
started again takes the same photographs: each once, with the reading that was reported.
"""

from __future__ import annotations

import random
import re
import socket
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path

import httpx

from stripread.store.models.evidence import StoredReading
from stripread.store.store import Store, open_store
from stripread.web import worker
from tests.bench import forked
from tests.bench.samples import SITES
from tests.bench.soak import Place, begun, check, counts
from tests.bench.technicians import PASSWORD, furnished, wait_until_it_answers

#: Phones that send at a time, and photographs of each in a round.
PHONES, PHOTOS = 3, 2
#: Rounds in one store; then a fresh one keeps the verification short.
ROUNDS_A_STORE = 10


@dataclass(eq=False)
class Phone:
    """A signed-in phone: its session survives the server."""

    url: str
    number: int
    client: httpx.Client = field(init=False)
    token: str = ""

    def __post_init__(self) -> None:
        headers = {"accept": "text/html", "origin": self.url}
        self.client = httpx.Client(base_url=self.url, timeout=120, follow_redirects=True, headers=headers)

    def sign_in(self) -> None:
        """Sign in once, and open the page from which photographs are sent."""
        self.client.post("/sign-in", data={"name": f"technician {self.number}", "password": PASSWORD})
        page = self.client.get("/take?point=-&batch=bench").text
        self.token = re.findall(r'name="csrf" content="([^"]+)"', page)[0]

    def send(self, photos: Sequence[bytes], reported: dict[bytes, str]) -> None:
        """Send photographs one after the other until the server is gone; note the readings reported."""
        for photo in photos:
            try:
                answer = self.client.post("/take/original?batch=bench", content=photo,
                                          headers={"x-csrf-token": self.token})
            except httpx.HTTPError:  # the server is gone
                return
            if answer.status_code == 200:
                reported[photo] = re.findall(r'data-reading="([^"]+)"', answer.text)[0]


@dataclass(slots=True)
class ServerSoak:
    """Rounds of kills on copies of ``origin``; ``lasts_s``: seconds of the last undisturbed round."""

    origin: Place
    rng: random.Random
    port: int
    lasts_s: float = 0.0
    met: Counter[str] = field(default_factory=Counter)

    def rounds(self, count: int, work: Path) -> None:
        """Kill ``count`` times and check each; raise AssertionError for the first violation."""
        for number in range(count):
            if number % ROUNDS_A_STORE == 0:
                place = self.origin.fresh(work / f"store-{number}")
                phones = self._phones(place)
            self._round(place, phones)
            print(f"{number + 1} kills: {counts(self.met)}", flush=True)

    def _phones(self, place: Place) -> list[Phone]:
        """Return phones that are signed in, after an undisturbed round."""
        phones = [Phone(f"http://127.0.0.1:{self.port}", number) for number in range(PHONES)]
        server = self._start(place)
        for phone in phones:
            phone.sign_in()
        self._send(phones, self._photos(), server, kill_after_s=None)
        return phones

    def _round(self, place: Place, phones: Sequence[Phone]) -> None:
        """Kill once and check; then send the same photographs to their end."""
        photos = self._photos()
        first = self._send(phones, photos, self._start(place), kill_after_s=self.rng.uniform(0.0, self.lasts_s))
        self.met[f"{len(first)} of {PHONES * PHOTOS} acknowledged when killed"] += 1
        self.met["acknowledged"] += len(first)
        store = open_store(place.settings)
        check(store, (), first.values())
        store.close()
        again = self._send(phones, photos, self._start(place), kill_after_s=None)
        store = open_store(place.settings)
        assert not check(store, (), again.values()), "a photograph has no record"
        _check_completed(store, first, again)
        store.close()

    def _photos(self) -> list[list[bytes]]:
        return [[self.rng.choice(SITES).read_bytes() + self.rng.randbytes(16) for _ in range(PHOTOS)]
                for _ in range(PHONES)]

    def _start(self, place: Place) -> forked.Child:
        args = ("serve", "--port", str(self.port), "--workers", "1")
        child = forked.fork(args, place.environment, place.folder / "streams")
        wait_until_it_answers(f"http://127.0.0.1:{self.port}")
        return child

    def _send(self, phones: Sequence[Phone], photos: list[list[bytes]], server: forked.Child, *,
              kill_after_s: float | None) -> dict[bytes, str]:
        """Send all photographs; kill the server after a time or when all are sent. Return the readings reported."""
        reported: dict[bytes, str] = {}
        threads = [threading.Thread(target=phone.send, args=(own, reported))
                   for phone, own in zip(phones, photos, strict=True)]
        started = time.monotonic()
        for thread in threads:
            thread.start()
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            forked.kill(server.process)
        for thread in threads:
            thread.join()
        if kill_after_s is None:
            self.lasts_s = time.monotonic() - started
            forked.kill(server.process)
        ended = server.wait()
        assert ended.killed, f"the server ended by itself with status {ended.status}\n{ended.err[-5000:]}"
        return reported


def _check_completed(store: Store, first: dict[bytes, str], again: dict[bytes, str]) -> None:
    assert len(again) == PHONES * PHOTOS, "a photograph has no reading"
    assert first.items() <= again.items(), "a photograph has another reading than was reported"
    readings = store.find(StoredReading)
    assert len({reading.photograph for reading in readings}) == len(readings), "a photograph has two readings"


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def main() -> None:
    """Run the whole soak."""
    # Workers start from this process, which has imported what they need.
    worker._CONTEXT = get_context("fork")  # type: ignore[misc,assignment]
    with begun(100) as asked:
        origin = Place(asked.work / "origin")
        origin.folder.mkdir()
        furnished(origin.settings, PHONES).close()
        soak = ServerSoak(origin, asked.rng, _free_port())
        soak.rounds(asked.count, asked.work)
        print(f"{asked.count} kills, nothing lost: {counts(soak.met)}")


if __name__ == "__main__":
    main()
