"""Kill a server under upload at random moments: `python -m tests.bench.soak_server [KILLS [SEED]]` [default: 100].

Phones send photographs at once. After each kill every photograph that was acknowledged is there with its reading, the
records verify, and a server started again takes the same photographs: each once, with the reading that was reported.
"""

from __future__ import annotations

import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from stripread.store.integrity import verify_store
from stripread.store.models.evidence import StoredReading
from stripread.store.store import Store
from tests.bench.samples import SITES
from tests.bench.soak import check
from tests.bench.technicians import PASSWORD, furnished, started, wait_until_it_answers

#: Phones that send at a time, and photographs of each in a round.
PHONES, PHOTOS = 3, 2
#: A kill comes within so many seconds after all have started to send.
WITHIN_S = 6.0


@dataclass(eq=False)
class Phone(threading.Thread):
    """Sends its photographs one after the other until the server is gone; notes the readings reported."""

    url: str
    number: int
    photos: list[bytes]
    ready: threading.Barrier
    reported: dict[int, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        super().__init__()

    def run(self) -> None:
        """Sign in, wait for the others, send."""
        headers = {"accept": "text/html", "origin": self.url}
        with httpx.Client(base_url=self.url, timeout=120, follow_redirects=True, headers=headers) as client:
            client.post("/sign-in", data={"name": f"technician {self.number}", "password": PASSWORD})
            page = client.get("/take?point=-&batch=bench").text
            token = re.findall(r'name="csrf" content="([^"]+)"', page)[0]
            self.ready.wait()
            for number, photo in enumerate(self.photos):
                try:
                    answer = client.post("/take/original?batch=bench", content=photo, headers={"x-csrf-token": token})
                except httpx.HTTPError:  # the server is gone
                    return
                if answer.status_code == 200:
                    self.reported[number] = re.findall(r'data-reading="([^"]+)"', answer.text)[0]


def round_of(folder: Path, store: Store, draw: random.Random) -> Counter[str]:
    """One kill, checked; then the same photographs to their end."""
    photos = [[SITES[draw.randrange(len(SITES))].read_bytes() + draw.randbytes(16) for _ in range(PHOTOS)]
              for _ in range(PHONES)]
    first = _sent(folder, photos, kill_after_s=draw.uniform(0.0, WITHIN_S))
    reported = {reading for phone in first for reading in phone.reported.values()}
    check(store, (), reported)
    again = _sent(folder, photos, kill_after_s=None)
    check(store, (), reported)
    for before, after in zip(first, again, strict=True):
        assert len(after.reported) == PHOTOS, "a photograph has no reading"
        assert before.reported.items() <= after.reported.items(), "a photograph has another reading than was reported"
    assert len({r.photograph for r in store.find(StoredReading)}) == len(store.ids(StoredReading))
    assert not verify_store(store).notes, verify_store(store).notes
    return Counter({f"{len(reported)} of {PHONES * PHOTOS} reported when killed": 1})


def _sent(folder: Path, photos: list[list[bytes]], *, kill_after_s: float | None) -> list[Phone]:
    ready = threading.Barrier(PHONES + 1)
    with started(folder) as (process, url):
        wait_until_it_answers(url)
        phones = [Phone(url, number, own, ready) for number, own in enumerate(photos)]
        for phone in phones:
            phone.start()
        try:
            ready.wait(120)
        except threading.BrokenBarrierError:
            _check_running(process, folder)
            raise
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            _check_running(process, folder)
            process.send_signal(signal.SIGKILL)
        for phone in phones:
            phone.join()
        if kill_after_s is None:
            _check_running(process, folder)
    return phones


def _check_running(process: subprocess.Popen[bytes], folder: Path) -> None:
    """A server that ended by itself crashed; its log shows where."""
    log = (folder / "server.log").read_text(errors="replace")
    assert process.poll() is None, f"the server ended by itself with status {process.returncode}\n{log[-5000:]}"


def main() -> None:
    """The whole soak."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else random.SystemRandom().getrandbits(32)
    print(f"{kills} kills of a server under upload, seed {seed}", flush=True)
    draw, met = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        store = furnished(Path(name), PHONES)
        for number in range(kills):
            met += round_of(Path(name), store, draw)
            print(f"{number + 1} kills: {dict(sorted(met.items()))}", flush=True)
    print(f"{kills} kills, nothing lost: {dict(sorted(met.items()))}")


if __name__ == "__main__":
    main()
