"""A server of the pages on a free port of this machine, with an account of each role; a real browser at it."""

from __future__ import annotations

import datetime as dt
import os
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from argon2 import PasswordHasher
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import BrowserContext, FilePayload, Page, Playwright, expect
from sqlalchemy import insert

from calibration.chart import Chart
from stripread.intake.materials_import import import_file, register_chart
from stripread.store import sessions
from stripread.store.accounts import list_accounts
from stripread.store.models.accounts import ROLES, Account, Role, new_account_id, with_fresh_salt
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.schema import SIGN_INS
from stripread.store.settings import Issuer, ReviewPolicy, Settings
from stripread.store.store import Store
from stripread.web import authentication
from stripread.web.authentication import Passwords
from stripread.web.start import configuration
from stripread.web.state import AppState, ServerConfig
from stripread.web.worker import Workers
from tests.stripread.intake.phone_photos import phone_photo
from tests.stripread.store.histories import new_store

from . import records
from .certificates import self_signed

POINT, BATCH = "mill-tap", "samples"
PASSWORD = "a bucket of soft water"
#: What the pages need of the settings: who issues reports.
SETTINGS = Settings(database="", photographs="", issuer=Issuer(name="Invented Laboratory"))
#: These servers have no TLS; reading the system's authorities for each client takes 25 ms.
NO_AUTHORITIES = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
#: Far too cheap for use, quick for tests.
CHEAP = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


@dataclass(frozen=True, slots=True)
class Browser:
    """A person at the server; ``secret`` of the session, empty for one who has not signed in."""

    client: httpx.Client
    secret: str = ""

    def get(self, path: str, **given: Any) -> httpx.Response:
        return self.client.get(path, **given)

    def send(self, method: str, path: str, **given: Any) -> httpx.Response:
        """As a page of ours does: with origin and the session's token."""
        headers = {"origin": str(self.client.base_url).rstrip("/"), **given.pop("headers", {})}
        if self.secret:
            headers.setdefault(authentication.HEADER, authentication.masked(authentication.token_of(self.secret)))
        return self.client.request(method, path, headers=headers, **given)

    def post(self, path: str, **fields: Any) -> httpx.Response:
        return self.send("POST", path, data=fields)


@dataclass(slots=True)
class Served:
    """A running server."""

    app: AppState
    url: str
    clients: list[httpx.Client] = field(default_factory=list)

    @property
    def store(self) -> Store:
        return self.app.store

    def account(self, *roles: Role, name: str = "Somebody") -> str:
        return account_in(self.store, f"person {len(list_accounts(self.store))}", roles, name)

    def browser(self, account: str = "", **headers: str) -> Browser:
        """A browser, signed in as an account if one is given."""
        client = httpx.Client(base_url=self.url, headers={"accept": "text/html", **headers}, timeout=30,
                              verify=NO_AUTHORITIES)
        self.clients.append(client)
        secret = sessions.open_session(self.store, account, "test") if account else ""
        if secret:
            client.cookies.set("session", secret)
        return Browser(client, secret)

    def role(self, *roles: Role) -> Browser:
        return self.browser(self.account(*roles))


def account_in(store: Store, sign_in: str, roles: tuple[Role, ...], name: str) -> str:
    """An account that can sign in, put there by itself: no administrator is needed."""
    account = Account(id=new_account_id(), roles=roles)
    with store.writing(account.id) as work:
        work.name(account, with_fresh_salt(account.id, name), "account created")
        work.connection.execute(insert(SIGN_INS).values(account=account.id, name=sign_in, changed="", preferences="{}",
                                                        hash=CHEAP.hash(PASSWORD)))
    return account.id


def store_in(folder: Path, policy: ReviewPolicy = ReviewPolicy()) -> Store:  # noqa: B008 - immutable
    return new_store(folder, review=policy)


@contextmanager
def serving(store: Store, workers: Workers, where: ServerConfig = ServerConfig(port=0)) -> Iterator[Served]:  # noqa: B008
    app = AppState(store=store, settings=SETTINGS, workers=workers, passwords=CHEAP, serving=where)
    server = uvicorn.Server(configuration(app))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive()
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    served = Served(app, f"{'https' if where.cert else 'http'}://127.0.0.1:{port}")
    try:
        yield served
    finally:
        for client in served.clients:
            client.close()
        server.should_exit = True
        thread.join(20)
        store.engine.dispose()


@pytest.fixture(scope="session")
def workers() -> Iterator[Workers]:
    pool = Workers(1)
    yield pool
    pool.end()


@pytest.fixture
def served(tmp_path: Path, workers: Workers) -> Iterator[Served]:
    """A server of its own, without accounts."""
    with serving(store_in(tmp_path), workers) as running:
        yield running


@pytest.fixture(scope="module")
def shared_server(tmp_path_factory: pytest.TempPathFactory, workers: Workers) -> Iterator[Served]:
    """A server for tests that only look."""
    with serving(store_in(tmp_path_factory.mktemp("store")), workers) as running:
        for role in ROLES:
            running.account(role)
        running.app.code = ""
        yield running


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, workers: Workers, samples: Path,
          sample_chart: Chart) -> Iterator[Served]:
    """A server whose store has a chart, a profile, and a site with a sampling point."""
    with serving(store_in(tmp_path_factory.mktemp("store")), workers) as running:
        account = running.account("administrator", "technician", name="Ines of the Mill")
        with running.store.writing(account) as work:
            work.put(Site(id="mill", name="Mill Yard & Co"), "made")
            work.put(SamplingPoint(id=POINT, site="mill", place="mains", name="tap"), "made")
        register_chart(running.store, account, sample_chart)
        import_file(running.store, account, samples / "card-run-007.txt")
        yield running


@pytest.fixture(scope="module")
def technician(bench: Served) -> Browser:
    return bench.role("technician")


@pytest.fixture(scope="module")
def reviewer(bench: Served) -> Browser:
    return bench.role("reviewer")


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Certificate and key for 127.0.0.1, signed by itself."""
    return self_signed(tmp_path_factory.mktemp("tls"))


@pytest.fixture(scope="module")
def stocked(tmp_path_factory: pytest.TempPathFactory, workers: Workers, sample_chart: Chart) -> Iterator[Served]:
    """A server whose store has the invented records of `records`."""
    with serving(store_in(tmp_path_factory.mktemp("store")), workers) as running:
        account = running.account("administrator", "technician", name=records.HOSTILE)
        records.fill(running.store, account, sample_chart)
        running.app.code = ""
        yield running


#: Long enough on a machine that does other work as well.
expect.set_options(timeout=60_000)
PHONE, DESK = "Pixel 5", "desk"
TAKE = f"/take?point={POINT}&batch={BATCH}"
#: Half past nine by the phone's clock, when the strip is dipped; the photograph is of 40 s later.
DIPPED, TAKEN = dt.datetime(2031, 5, 4, 7, 30, tzinfo=dt.UTC), "2031:05:04 09:30:40"


@pytest.fixture(scope="session")
def chrome(playwright: Playwright, chromium: str) -> Iterator[Chromium]:
    browser = playwright.chromium.launch(executable_path=chromium, args=[
        "--no-sandbox", "--disable-gpu", "--disable-background-networking"])
    yield browser
    browser.close()


Open = Callable[..., Page]


@pytest.fixture
def open_page(chrome: Chromium, playwright: Playwright) -> Iterator[Open]:
    """Opens a page on a device; what the page's console complains of fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def opened(served: Served, device: str = PHONE, *, account: str = "", **given: Any) -> Page:
        shape = {"viewport": {"width": 1280, "height": 900}} if device == DESK else playwright.devices[device]
        context = chrome.new_context(base_url=served.url, timezone_id="Europe/Vienna", **{**shape, **given})
        contexts.append(context)
        if account:
            context.add_cookies([{"name": "session", "value": served.browser(account).secret, "url": served.url}])
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda m: complaints.append(m.text) if "Content Security Policy" in m.text else None)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert not complaints


def picture(samples: Path, name: str = "mill-yard") -> FilePayload:
    """A photograph that was not sent before, by bytes after the picture's end."""
    data = phone_photo(samples / "sites" / f"{name}.jpg", taken=TAKEN, place=True).data
    return {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": data + os.urandom(8)}


def to_dip(page: Page) -> None:
    """From the label of a point and a tube to the step in which the strip is dipped."""
    page.goto(TAKE)
    page.get_by_role("button", name="Use this tube anyway").click()
    page.get_by_role("button", name="The sample is cool").click()
    expect(page.get_by_role("button", name="Dipped")).to_be_visible()


def shoot(page: Page, photo: FilePayload) -> None:
    """Take a photograph with the phone's camera app; after an answer, one of a second strip."""
    second = page.get_by_role("button", name="Second strip")
    if second.is_visible():
        second.click()
    page.get_by_label("Camera app").set_input_files(photo)


@pytest.fixture
def account(bench: Served) -> str:
    """A technician."""
    return bench.account("technician")


@pytest.fixture
def page(bench: Served, open_page: Open, account: str) -> Page:
    """The technician's phone."""
    return open_page(bench, account=account)
