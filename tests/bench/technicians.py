"""Many technicians at one server on this machine: how long each waits, and whether anything is lost.

``python -m tests.bench.technicians [MINUTES [TECHNICIANS]]``. Each signs in, then repeatedly opens a page, thinks,
sends a preview and an original of its own, and opens the reading. Times are of this machine under this load.
"""

from __future__ import annotations

import io
import os
import random
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import numpy as np
from PIL import Image

from stripread.intake.materials_import import import_file, register_chart
from stripread.store.accounts import SignIn, create_account, create_first
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from stripread.web.authentication import Passwords
from tests.bench.samples import SAMPLES, SITES, chart_and_profile

PASSWORD = "a bucket of soft water"
#: Seconds somebody takes between two things they do, at least and at most.
THINK_S = (2.0, 8.0)
#: How long one person is alone there first, seconds: what the others are compared with.
ALONE_S = 15.0


class Tally:
    """What all technicians found."""

    def __init__(self) -> None:
        self.seconds: dict[str, list[float]] = defaultdict(list)
        self.acknowledged: set[str] = set()
        self.errors: list[str] = []


class Technician(threading.Thread):
    """One person with a phone."""

    def __init__(self, number: int, until: float, tally: Tally, url: str, think: tuple[float, float]) -> None:
        super().__init__()
        self.number, self.until, self.tally, self.think = number, until, tally, think
        self.draw = random.Random(number)
        self.client = httpx.Client(base_url=url, timeout=120, follow_redirects=True,
                                   headers={"accept": "text/html", "origin": url})

    def run(self) -> None:
        """Until the time is over."""
        time.sleep(self.draw.uniform(0, self.think[1]))
        try:
            self.ask("sign in", "POST", "/sign-in", data={"name": f"technician {self.number}", "password": PASSWORD})
            while time.monotonic() < self.until:
                self.take()
        except (httpx.HTTPError, RuntimeError) as error:
            self.tally.errors.append(f"technician {self.number}: {error!r}")
        self.client.close()

    def take(self) -> None:
        """One reading, from the page to the result."""
        page = self.ask("page", "GET", "/take?point=-&batch=bench").text
        headers = {"x-csrf-token": re.findall(r'name="csrf" content="([^"]+)"', page)[0]}
        photo, small = self.photograph()
        self.ask("preview", "POST", "/take/preview?batch=bench", content=small, headers=headers)
        done = self.ask("original", "POST", "/take/original?batch=bench", content=photo, headers=headers).text
        reading = re.findall(r'data-reading="([^"]+)"', done)[0]
        self.tally.acknowledged.add(reading)
        self.ask("reading", "GET", f"/readings/{reading}")
        self.ask("picture", "GET", f"/readings/{reading}/picture")

    def ask(self, what: str, method: str, path: str, **given: object) -> httpx.Response:
        """Ask, note how long it took, then think."""
        begun = time.perf_counter()
        answer = self.client.request(method, path, **given)  # type: ignore[arg-type]
        self.tally.seconds[what].append(time.perf_counter() - begun)
        if answer.status_code >= 400:
            raise RuntimeError(f"{what}: {answer.status_code} {answer.text[:200]}")
        time.sleep(self.draw.uniform(*self.think))
        return answer

    def photograph(self) -> tuple[bytes, bytes]:
        """A sample that is unique by a comment in it, and its small copy."""
        with Image.open(self.draw.choice(SITES)) as picture:
            whole, small = io.BytesIO(), io.BytesIO()
            picture.save(whole, "JPEG", quality="keep", comment=os.urandom(16))
            picture.resize((1280, 960)).save(small, "JPEG", quality=85)
        return whole.getvalue(), small.getvalue()


def settings_in(folder: Path) -> Settings:
    """Return the settings of a store in a folder."""
    return Settings(database=f"sqlite:///{folder / 'records.sqlite'}", photographs=str(folder / "photos"))


def furnished(settings: Settings, technicians: int) -> Store:
    """Return a store with chart and profile of the samples, and accounts that can sign in."""
    store = open_store(settings)
    hash_ = Passwords().hash(PASSWORD)
    first = create_first(store, "T", SignIn("administrator", hash_))
    by = [create_account(store, f"T {n}", ("technician",), by=first, sign_in=SignIn(f"technician {n}", hash_)).id
          for n in range(technicians)]
    chart, _, profile = chart_and_profile()
    register_chart(store, by[0], chart)
    import_file(store, by[0], SAMPLES / profile.name)
    return store


@contextmanager
def server(folder: Path) -> Iterator[str]:
    """The server as a person starts it, once it answers; its address."""
    with started(folder) as (_, url):
        wait_until_it_answers(url)
        yield url


@contextmanager
def started(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """The process of a server on a free port, and its address."""
    environment = {**os.environ, "STRIPREAD_DATABASE": f"sqlite:///{folder / 'records.sqlite'}",
                   "STRIPREAD_PHOTOGRAPHS": str(folder / "photos"), "PYTHONFAULTHANDLER": "1"}
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    url = f"http://127.0.0.1:{port}"
    with (folder / "server.log").open("wb") as log, subprocess.Popen(
            [sys.executable, "-m", "stripread", "serve", "--port", str(port)], env=environment, stdout=log,
            stderr=log) as process:
        try:
            yield process, url
        finally:
            process.terminate()


def wait_until_it_answers(url: str) -> None:
    """For a minute at most."""
    for _ in range(240):
        try:
            httpx.get(f"{url}/health")
        except httpx.HTTPError:
            time.sleep(0.25)
        else:
            return
    raise RuntimeError("the server did not start")


def run(minutes: float = 2.0, technicians: int = 20) -> None:
    """Load, and what came of it."""
    alone, tally = Tally(), Tally()
    with tempfile.TemporaryDirectory() as name:
        store = furnished(settings_in(Path(name)), technicians)
        with server(Path(name)) as url:
            for found in (Tally(), alone):  # the first time everything is still being loaded
                Technician(0, time.monotonic() + ALONE_S, found, url, (0.0, 0.0)).run()
                tally.acknowledged |= found.acknowledged
            until = time.monotonic() + 60 * minutes
            people = [Technician(n, until, tally, url, THINK_S) for n in range(technicians)]
            for person in people:
                person.start()
            for person in people:
                person.join()
        report(alone, tally, store)


def report(alone: Tally, tally: Tally, store: Store) -> None:
    """Print it; fail where something was lost."""
    for what, seconds in tally.seconds.items():
        middle, slow = np.percentile(seconds, [50, 95])
        one = float(np.median(alone.seconds[what]))
        print(f"{what:9} {len(seconds):5} times, alone {one:6.3f} s; among all median {middle:6.3f} s "
              f"({middle / one:4.1f} times), 95th percentile {slow:6.3f} s ({slow / one:4.1f} times)")
    kept = {reading.id for reading in store.find(StoredReading)}
    print(f"{len(tally.acknowledged)} readings acknowledged, {len(tally.acknowledged - kept)} of them lost, "
          f"{len(kept)} kept of {len(store.find(Photograph))} photographs; {len(tally.errors)} errors")
    print(*tally.errors, sep="\n")
    wrong = verify_store(store).wrong
    assert not tally.errors
    assert not tally.acknowledged - kept
    assert not wrong, wrong


if __name__ == "__main__":
    run(float(sys.argv[1]) if len(sys.argv) > 1 else 2.0, int(sys.argv[2]) if len(sys.argv) > 2 else 20)
