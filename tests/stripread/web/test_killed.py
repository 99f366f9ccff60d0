"""The server killed while photographs arrive: what it acknowledged is there, the rest is sent again, nothing twice."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from calibration.chart import Chart
from stripread.intake.materials_import import import_file, register_chart
from stripread.store import sessions
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredReading
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, account_in, store_in

PHOTOGRAPHS = 5


@contextmanager
def started(folder: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """The command as a person starts it."""
    environment = {**os.environ, "STRIPREAD_DATABASE": f"sqlite:///{folder / 'records.sqlite'}",
                   "STRIPREAD_PHOTOGRAPHS": str(folder / "photographs")}
    command = [sys.executable, "-m", "stripread", "serve", "--port", str(port), "--workers", "1"]
    with (folder / "server.log").open("ab") as log, subprocess.Popen(
            command, env=environment, stdout=log, stderr=log) as process:
        try:
            while not answers(port):
                assert process.poll() is None, (folder / "server.log").read_text(encoding="utf-8")
                time.sleep(0.1)
            yield process
        finally:
            process.terminate()


def answers(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/health").status_code == 200
    except httpx.HTTPError:
        return False


def children(process: int) -> list[Path]:
    return [Path("/proc", n) for n in Path(f"/proc/{process}/task/{process}/children").read_text().split()]


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="processes are looked up in /proc, as Linux has it")
def test_killed_while_photographs_arrive(tmp_path: Path, samples: Path, sample_chart: Chart) -> None:
    store = store_in(tmp_path)
    account = account_in(store, "ines", ("technician",), "Ines of the Mill")
    register_chart(store, account, sample_chart)
    import_file(store, account, samples / "card-run-007.txt")
    headers = {"authorization": f"Bearer {sessions.make_token(store, account, 'a phone', ('readings:take',))}"}
    photos = [phone_photo(path).data for path in sorted((samples / "sites").glob("*.jpg"))[:PHOTOGRAPHS]]
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]

    def send(photo: bytes) -> str | None:
        """The id of the reading, or None where there was no answer."""
        try:
            answer = httpx.post(f"http://127.0.0.1:{port}/api/readings", params={"batch": BATCH}, content=photo,
                                headers=headers, timeout=60)
        except httpx.HTTPError:
            return None
        return str(answer.raise_for_status().json()["reading"])

    with ThreadPoolExecutor(PHOTOGRAPHS) as phones, started(tmp_path, port) as server:
        sent = [phones.submit(send, photo) for photo in photos]
        while not any(answer.done() for answer in sent):
            time.sleep(0.01)
        workers = children(server.pid)
        server.send_signal(signal.SIGKILL)
        acknowledged = {i: answer.result() for i, answer in enumerate(sent) if answer.result()}
    assert 0 < len(acknowledged) < PHOTOGRAPHS
    assert set(acknowledged.values()) <= set(store.ids(StoredReading))
    assert not verify_store(store).wrong
    with started(tmp_path, port):
        again = dict(enumerate(map(send, photos)))
    assert None not in again.values()
    assert acknowledged.items() <= again.items()
    assert len(store.ids(Photograph)) == len(store.ids(StoredReading)) == PHOTOGRAPHS
    assert not verify_store(store).wrong
    assert workers
    assert not [w for w in workers if w.exists()], "the workers of a server that is gone go too"
    store.close()
