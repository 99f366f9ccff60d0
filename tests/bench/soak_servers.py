"""Two servers on one PostgreSQL and bucket, one killed again and again: `python -m tests.bench.soak_servers [MINUTES]`.

Phones send photographs to either server and change to the other one when theirs does not answer. At random moments a
server is killed with all its processes and started again. At the end each photograph that was stored has one reading,
each that was acknowledged is stored, and the store verifies.
"""

from __future__ import annotations

import argparse
import logging
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import httpx
from moto.server import ThreadedMotoServer

from stripread.store import sessions, shared_work
from stripread.store.accounts import list_accounts
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.settings import Settings
from stripread.store.store import Store
from tests.bench.samples import SITES
from tests.bench.technicians import furnished, wait_until_it_answers
from tests.services import Postgresql, find_postgresql, free_port, s3_variables

#: Phones, as many as technicians at work at one time; seconds between two photographs of one, at least and at most.
PHONES, THINK_S = 20, (2.0, 8.0)
#: Seconds between two kills, at least and at most (never over a third of the time); seconds for the evaluation of what
#: is left at the end.
KILL_S, REST_S = (20.0, 60.0), 900.0
_BUCKET: Final = "s3://soak/photographs"


@contextmanager
def services() -> Iterator[Settings]:
    """Start PostgreSQL and an S3 server; return the settings of an empty store there."""
    binaries = find_postgresql()
    assert binaries, "install the package postgresql"
    folder = Path(tempfile.mkdtemp(prefix="postgresql-"))
    database, bucket = Postgresql(binaries, folder), ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    logging.getLogger("werkzeug").setLevel(logging.WARNING)
    bucket.start()
    try:
        database.start()
        host, port = bucket.get_host_and_port()
        os.environ.update(s3_variables(f"http://{host}:{port}"))
        httpx.put(f"http://{host}:{port}/soak").raise_for_status()
        yield Settings(database=database.create("soak"), photographs=_BUCKET)
    finally:
        database.stop()
        bucket.stop()
        shutil.rmtree(folder)


class Server:
    """A server that can be killed with its workers and started again on the same port."""

    def __init__(self, settings: Settings, log: Path) -> None:
        self.url = f"http://127.0.0.1:{(port := free_port())}"
        self._log = log
        self._command = [sys.executable, "-m", "stripread", "serve", "--port", str(port), "--workers", "1"]
        self._environment = {**os.environ, "STRIPREAD_DATABASE": settings.database,
                             "STRIPREAD_PHOTOGRAPHS": settings.photographs}
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        with self._log.open("ab") as out:
            self._process = subprocess.Popen(self._command, env=self._environment, stdout=out, stderr=out,
                                             start_new_session=True)
        wait_until_it_answers(self.url)

    def kill(self) -> None:
        """Kill it and its workers."""
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()


class Phone(threading.Thread):
    """Sends photographs of its own until the time is over."""

    def __init__(self, number: int, servers: list[Server], token: str, until: float) -> None:
        super().__init__()
        self._draw, self._servers, self._until = random.Random(number), servers, until
        self._headers = {"authorization": f"Bearer {token}"}
        self.acknowledged: set[str] = set()

    def run(self) -> None:
        """Send each photograph until a server has acknowledged it."""
        while time.monotonic() < self._until:
            photo = self._draw.choice(SITES).read_bytes() + self._draw.randbytes(16)
            while not self._sent(photo):
                time.sleep(1.0)
            time.sleep(self._draw.uniform(*THINK_S))

    def _sent(self, photo: bytes) -> bool:
        try:
            answer = httpx.post(f"{self._draw.choice(self._servers).url}/api/readings", params={"batch": "bench"},
                                content=photo, headers=self._headers, timeout=120)
        except httpx.HTTPError:
            return False
        if answer.status_code == 200:
            self.acknowledged.add(str(answer.json()["reading"]))
        return answer.status_code == 200


def run(minutes: float) -> None:
    """Run for that long, then check the store."""
    with services() as settings, tempfile.TemporaryDirectory() as name:
        store = furnished(settings, 1)
        account = next(a.account for a in list_accounts(store) if "technician" in a.roles)
        token = sessions.make_token(store, account, "phones", ("readings:take",))
        servers = [Server(settings, Path(name) / f"{n}.log") for n in range(2)]
        until = time.monotonic() + minutes * 60
        phones = [Phone(n, servers, token, until) for n in range(PHONES)]
        for phone in phones:
            phone.start()
        kills = _kill_until(servers, until)
        for phone in phones:
            phone.join()
        acknowledged = set().union(*(phone.acknowledged for phone in phones))
        _check(store, acknowledged)
        for server in servers:
            server.kill()
        print(f"{kills} kills of a server: {len(store.ids(Photograph))} photographs, {len(acknowledged)} acknowledged, "
              "each with one reading")
        store.close()


def _kill_until(servers: list[Server], until: float) -> int:
    kills, draw, longest = 0, random.Random(1), (until - time.monotonic()) / 3
    while (pause := min(draw.uniform(*KILL_S), longest)) < until - time.monotonic():
        time.sleep(pause)
        victim = draw.choice(servers)
        victim.kill()
        kills += 1
        victim.start()
    return kills


def _check(store: Store, acknowledged: set[str]) -> None:
    end = time.monotonic() + REST_S
    while shared_work.waiting(store) and time.monotonic() < end:
        time.sleep(1.0)
    readings = store.find(StoredReading)
    assert sorted(r.photograph for r in readings) == sorted(store.ids(Photograph)), "lost or duplicated"
    assert acknowledged <= {r.id for r in readings}, "an acknowledged reading is missing"
    found = verify_store(store)
    assert not found.wrong, found.wrong


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("minutes", type=float, nargs="?", default=10.0)
    run(parser.parse_args().minutes)
