"""The server: safety checks, address, event loop, and background work in threads.

Photographs whose server ended before their reading was stored are evaluated. Statuses are computed before a page asks
for them: for thousands of sites that takes a minute the first time of a day, and later only for changed sites.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from threading import Event, Thread, current_thread
from typing import Final, cast

import uvicorn

from shared.errors import FileError, InputError
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.store import sign_ins
from stripread.store.errors import NoRecordsError
from stripread.store.models.evidence import Photograph
from stripread.store.settings import Settings
from stripread.store.shared_work import claim, dequeue
from stripread.store.store import open_store
from stripread.web import middleware
from stripread.web.app import make_app
from stripread.web.capture import PhotoIntake
from stripread.web.connections import MOST, Connection, Gate
from stripread.web.refusals import HTTPRefusal
from stripread.web.state import AppState, ServerConfig, check_config
from stripread.web.worker import Workers

#: A photograph without a record was purged, or its server ended before it was stored, so that the phone still has it.
#: But another server may be storing it just now: it is looked for again a few times.
_ATTEMPTS_WITHOUT_RECORD: Final = 4
#: Pause between two looks at the queue, and between two updates of statuses, seconds.
POLL_S, STATUS_S = 10.0, 30.0


@contextmanager
def evaluating(app: AppState) -> Iterator[None]:
    """Evaluate queued photographs and keep statuses up to date in threads until the end of the block."""
    ended = Event()
    threads = [Thread(target=_run, args=(app, ended, work, pause), name=name, daemon=True)
               for name, work, pause in (("evaluation", _evaluate_all, POLL_S), ("status", _update_statuses, STATUS_S))]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        ended.set()
        # Statuses change nothing, so that the end of the server need not wait for them.
        threads[0].join()


def _run(app: AppState, ended: Event, work: Callable[[AppState, Event], None], pause: float) -> None:
    what = current_thread().name
    while not ended.wait(pause):
        try:
            work(app, ended)
        except (InputError, HTTPRefusal) as error:  # the database or all workers are busy: later again
            middleware.note(f"{what} postponed", found=str(error))
        except Exception as error:  # noqa: BLE001 - one photograph must not end the evaluation of all others
            middleware.failed(f"{what} failed", error)


def _evaluate_all(app: AppState, ended: Event) -> None:
    while not ended.is_set() and evaluate_next(app):
        pass


def _update_statuses(app: AppState, _ended: Event) -> None:
    overview(app.store, load_intervals(), scope=Scope())


def evaluate_next(app: AppState) -> bool:
    """Evaluate a photograph whose lease has expired; return whether there was one."""
    queued = claim(app.store)
    if queued is None:
        return False
    for photograph in app.store.find(Photograph, id=queued.photograph, removed=None):
        taken = PhotoIntake(app, queued.account).evaluate(photograph, queued.replaces)
        middleware.note("evaluated", photograph=photograph.id, account=queued.account, found=taken.why)
        return True
    if queued.attempts >= _ATTEMPTS_WITHOUT_RECORD:
        dequeue(app.store, queued.photograph)
    return True


#: Idle timeout of a connection, seconds.
IDLE_S = 15
#: Largest number of open files in addition to connections: database, photographs, workers.
_OTHER_FILES = 200


def start(settings: Settings, *, workers: int, serving: ServerConfig, tell: Callable[[str], None]) -> None:
    """Run the server. Raises InputError if that is unsafe, or the address is in use."""
    check_config(serving, someone_can_sign_in=_someone_can_sign_in(settings))
    store = open_store(settings)
    middleware.start()
    pool = Workers(workers)
    app = AppState(store=store, settings=settings, workers=pool, serving=serving)
    tell(_greeting(app))
    server = uvicorn.Server(configuration(app))
    try:
        with evaluating(app):
            server.run()
    except SystemExit as error:
        raise InputError("the server could not start; see the line above", where=serving.url,
                         remedy="choose another --port if it is taken") from error
    finally:
        pool.end()


def _someone_can_sign_in(settings: Settings) -> bool:
    """Return whether the store has such an account; never creates a store."""
    try:
        store = open_store(settings, new=False)
    except NoRecordsError:
        return False
    try:
        return sign_ins.anyone(store)
    finally:
        store.close()


def configuration(app: AppState) -> uvicorn.Config:
    """Return the configuration of uvicorn."""
    serving = app.serving
    gate = Gate(frozenset(filter(None, [serving.proxy])), most=min(MOST, _most_files() - _OTHER_FILES))
    protocol = partial(Connection, gate=gate, tls=_tls(serving))
    return uvicorn.Config(
        make_app(app), host=serving.host, port=serving.port, http=cast("type[asyncio.Protocol]", protocol),
        proxy_headers=serving.proxy is not None, forwarded_allow_ips=serving.proxy or [], server_header=False,
        access_log=False, log_config=None, timeout_keep_alive=IDLE_S, timeout_graceful_shutdown=10)


def _tls(serving: ServerConfig) -> ssl.SSLContext | None:
    if serving.cert is None or serving.key is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(serving.cert, serving.key)
    except (ssl.SSLError, OSError) as error:
        raise FileError("certificate and key cannot be used", where="--tls-cert, --tls-key", found=str(error),
                        allowed="two PEM files that belong together, the key without a password") from error
    return context


def _most_files() -> int:
    """How many files this process may open, raised to what connections need where the system allows it."""
    try:
        import resource
    except ModuleNotFoundError:  # not on Windows
        return 2 * MOST
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST + _OTHER_FILES
    if soft < wanted and (hard == resource.RLIM_INFINITY or hard > soft):
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return soft


def _greeting(app: AppState) -> str:
    lines = [f"stripread is running at {app.serving.url} (press Ctrl-C to stop)"]
    if app.code:
        lines += ["No account can sign in yet. Open that page and enter this one-time setup code:", f"    {app.code}"]
    return "\n".join(lines)
