"""Several servers on one PostgreSQL database and one bucket: what they share, and what happens when one is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from calibration.chart import Chart
from stripread.intake.materials_import import import_file, register_chart
from stripread.store import sessions, shared_work, sign_ins
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.photos import digest
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from stripread.web import authentication
from stripread.web.pages.take import STORED
from stripread.web.refusals import BY_BOTH, Attempt, FailureCounter, HTTPRefusal
from stripread.web.worker import Workers
from tests.loops import some
from tests.services import free_port
from tests.stripread.intake.phone_photos import phone_photo
from tests.stripread.store.histories import NOW

from .conftest import BATCH, account_in
from .conftest import serving as serving_here

#: The command, with a short lease and pauses, so that the test need not wait for minutes. Tasks wait in their first
#: step while the file exists that is given first.
_SERVE = """
import sys
import time
from datetime import timedelta
from functools import partial
from pathlib import Path
from stripread.store import shared_work
from stripread.web import jobs, start
shared_work.LEASE = timedelta(seconds=1)
start.POLL_S = 0.2
shared_work.SILENT_S, jobs.BEAT_S = 4.0, 0.5
hold, report = Path(sys.argv.pop(1)), jobs.JobProgress.report
def waits(self, *given):
    report(self, *given)
    while hold.exists():
        time.sleep(0.05)
jobs.JobProgress.report = waits
from stripread.cli.main import run
sys.exit(run(sys.argv[1:]))
"""


HOLD = "hold"


@pytest.fixture
def settings(postgresql_url: str, bucket_url: str) -> Settings:
    return Settings(database=postgresql_url, photographs=bucket_url)


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    opened = open_store(settings)
    yield opened
    opened.close()


@contextmanager
def serving(settings: Settings, log: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """A server as a process in a group of its own, and its address."""
    port = free_port()
    environment = {**os.environ, "STRIPREAD_DATABASE": settings.database, "STRIPREAD_PHOTOGRAPHS": settings.photographs}
    command = [sys.executable, "-c", _SERVE, str(log.parent / HOLD), "serve", "--port", str(port), "--workers", "1"]
    with log.open("wb") as out, subprocess.Popen(command, env=environment, stdout=out, stderr=out,
                                                 start_new_session=True) as process:
        try:
            yield process, f"http://127.0.0.1:{port}"
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)


def wait_until(done: Callable[[], bool], process: subprocess.Popen[bytes], log: Path) -> None:
    """Wait as long as the process runs."""
    while not done():
        assert process.poll() is None, log.read_text()
        time.sleep(0.05)


def answers(url: str) -> bool:
    try:
        return httpx.get(f"{url}/health").status_code == 200
    except httpx.HTTPError:
        return False


def task_at(url: str, secret: str) -> dict[str, Any]:
    """The state of the verification as a server gives it to its page."""
    state = httpx.get(f"{url}/system/tasks/integrity", cookies={"session": secret}, timeout=30).json()
    assert isinstance(state, dict)
    return state


def start_verification(url: str, secret: str) -> int:
    headers = {"origin": url, authentication.HEADER: authentication.masked(authentication.token_of(secret))}
    return httpx.post(f"{url}/system/integrity", headers=headers, cookies={"session": secret}, timeout=30).status_code


def test_a_killed_server_leaves_nothing_unevaluated(settings: Settings, store: Store, tmp_path: Path, samples: Path,
                                                    sample_chart: Chart) -> None:
    """Photographs that one server has stored are evaluated by the other, each once.

    A verification at one server is shown by the other, which runs no second one until the first server has ended.
    """
    account = account_in(store, "ines", ("technician",), "Ines of the Mill")
    register_chart(store, account, sample_chart)
    import_file(store, account, samples / "card-run-007.txt")
    headers = {"authorization": f"Bearer {sessions.make_token(store, account, 'a phone', ('readings:take',))}"}
    photos = [phone_photo(path).data for path in sorted((samples / "sites").glob("*.jpg"))[:4]]
    logs = tmp_path / "a.log", tmp_path / "b.log"
    anna = account_in(store, "anna", ("administrator",), "Anna of the Mill")
    session = sessions.open_session(store, anna, "test")
    (tmp_path / HOLD).touch()

    def send(photo: bytes, to: str) -> None:
        try:
            httpx.post(f"{to}/api/readings", params={"batch": BATCH}, content=photo, headers=headers, timeout=60)
        except httpx.HTTPError:
            return

    with serving(settings, logs[0]) as (dying, first), serving(settings, logs[1]) as (living, second):
        for process, url, log in ((dying, first, logs[0]), (living, second, logs[1])):
            wait_until(partial(answers, url), process, log)
        assert start_verification(first, session) == 303
        wait_until(lambda: task_at(second, session).get("label") == "database", living, logs[1])
        assert start_verification(second, session) == 409
        with ThreadPoolExecutor(len(photos)) as phones:
            for photo in photos:
                phones.submit(send, photo, first)
            wait_until(lambda: len(store.ids(Photograph)) == len(photos), dying, logs[0])
            os.killpg(dying.pid, signal.SIGKILL)
        before = len(store.ids(StoredReading))
        assert before < len(photos), "killed too late to test anything"
        wait_until(lambda: len(store.ids(StoredReading)) == len(photos), living, logs[1])
        wait_until(lambda: shared_work.waiting(store) == 0, living, logs[1])
        (tmp_path / HOLD).unlink()
        wait_until(lambda: "the server that ran it has ended" in task_at(second, session)["wrong"], living, logs[1])
        assert start_verification(second, session) == 303
        wait_until(lambda: bool(task_at(second, session)["finished"]), living, logs[1])
        assert str(len(photos)) in task_at(second, session)["outcome"]
    assert sorted(r.photograph for r in store.find(StoredReading)) == sorted(store.ids(Photograph))
    assert {r.account for r in store.find(StoredReading)} == {account}
    assert verify_store(store).wrong == ""


def test_an_upload_begun_at_one_server_ends_at_another(postgresql_url: str, tmp_path: Path, workers: Workers,
                                                      samples: Path, sample_chart: Chart) -> None:
    """The parts arrive alternately; the account, not the server, owns the upload."""
    settings = Settings(database=postgresql_url, photographs=str(tmp_path / "photographs"))
    with closing(open_store(settings)) as store, closing(open_store(settings)) as other:
        account = account_in(store, "ines", ("technician",), "Ines of the Mill")
        register_chart(store, account, sample_chart)
        import_file(store, account, samples / "card-run-007.txt")
        photo, key = phone_photo(samples / "sites" / "mill-yard.jpg").data, "0123456789abcdef"
        with serving_here(store, workers) as a, serving_here(other, workers) as b:
            phones = [served.browser(account) for served in (a, b)]
            for n, start in enumerate(some(range(0, len(photo), 2**16))):
                part = photo[start:start + 2**16]
                answer = phones[n % 2].send("POST", f"/take/uploads/{key}", params={"offset": start}, content=part)
                assert answer.json()["offset"] == start + len(part)
            stranger = b.role("technician").send("POST", "/take/original", params={"upload": key, "batch": BATCH})
            done = [phone.send("POST", "/take/original", params={"upload": key, "batch": BATCH}) for phone in phones]
            assert phones[0].get(f"/take/uploads/{key}").json()["photograph"] == digest(photo)
        assert stranger.status_code == 409
        assert {answer.headers[STORED] for answer in done} == {digest(photo)}
        assert [p.account for p in store.find(Photograph)] == [account]
        assert len(store.ids(StoredReading)) == 1


def test_claims_of_two_servers_differ(settings: Settings) -> None:
    """A claimed photograph is not claimed again until its pause is over, which doubles."""
    first, second = (open_store(settings, clock=lambda: now[0]) for _ in range(2))
    now = [NOW]
    for number in range(2):
        shared_work.enqueue(first, f"{number:064}", "account")
    assert shared_work.claim(second) is None, "leased to the server that received them"
    now[0] += shared_work.LEASE + timedelta(seconds=1)
    claimed = [shared_work.claim(store) for store in (first, second, first)]
    assert {c.photograph for c in claimed if c} == {f"{n:064}" for n in range(2)}
    assert claimed[2] is None
    shared_work.dequeue(first, f"{0:064}")
    now[0] += shared_work.LEASE + timedelta(seconds=1)
    again = [shared_work.claim(second), shared_work.claim(first)]
    assert [c and (c.photograph, c.attempts) for c in again] == [(f"{1:064}", 1), None]
    now[0] += shared_work.LEASE + timedelta(seconds=1)
    assert shared_work.claim(second) is None
    for store in (first, second):
        store.close()


def test_failures_count_on_all_servers(settings: Settings) -> None:
    stores = [open_store(settings) for _ in range(2)]
    counters = [FailureCounter(store) for store in stores]
    attempt = Attempt("ines", "192.0.2.1")
    for number in range(BY_BOTH.failures):
        counters[number % 2].note(attempt)
    for counter in counters:
        with pytest.raises(HTTPRefusal):
            counter.check(attempt)
    counters[0].forgive(attempt)
    counters[1].check(attempt)
    for store in stores:
        store.close()


def test_a_setup_code_is_accepted_by_all_servers(settings: Settings) -> None:
    first, second = (open_store(settings) for _ in range(2))
    sign_ins.add_setup_code(first, "AAAABBBBCCCC")
    sign_ins.add_setup_code(second, "DDDDEEEEFFFF")
    assert all(sign_ins.is_setup_code(store, code) for store in (first, second)
               for code in ("AAAABBBBCCCC", "DDDDEEEEFFFF"))
    assert not sign_ins.is_setup_code(first, "AAAABBBBCCCD")
    sign_ins.clear_setup_codes(second)
    assert not sign_ins.is_setup_code(first, "AAAABBBBCCCC")
    for store in (first, second):
        store.close()
