"""Hostile requests and photographs: every answer is below 500, and the next photograph is read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from stripread.store import sessions
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES
from stripread.store.settings import Settings
from stripread.store.store import open_store
from stripread.web.worker import Workers
from tests.hostile import metadata
from tests.hostile.requests import TIMES, Asked, request
from tests.photographs import file_of, picture
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, Browser, Served, serving


@pytest.fixture
def everybody(settings: Settings, workers: Workers) -> Iterator[tuple[Served, Browser]]:
    """A server on each sort of database, and a browser signed in with every role."""
    with serving(open_store(settings), workers) as running:
        yield running, running.role(*ROLES)


@pytest.fixture
def program(bench: Served) -> Iterator[httpx.Client]:
    """A program that takes readings."""
    account = bench.account("technician")
    secret = sessions.make_token(bench.store, account, "a program", ("readings:read", "readings:take"))
    with httpx.Client(base_url=f"{bench.url}/api", headers={"authorization": f"Bearer {secret}"}, timeout=60) as client:
        yield client


def asked_of(browser: Browser, asked: Asked) -> httpx.Response:
    sent = {"data": asked.form} if asked.form is not None else {"content": asked.body} if asked.method == "POST" else {}
    return browser.send(asked.method, asked.path, params=asked.query, headers={"accept": asked.accept}, **sent)


def test_a_nul_is_refused_on_every_database(everybody: tuple[Served, Browser]) -> None:
    """In a path, a query and a form (PostgreSQL 17, 8.3: text cannot contain NUL)."""
    _, browser = everybody
    for path in ("/readings/a%00b", "/api/readings/%00", "/p/%00", "/api/readings?site=%00", "/api/points?search=a%00",
                 "/take?point=%00", "/labels?search=%00", "/together?reading=%00&reading=a"):
        assert browser.get(path).status_code in (401, 404, 422), path
    assert browser.post("/me/tokens", name="a\0b", scopes="readings:read").status_code == 422


def test_requests_at_the_limits_of_their_types(everybody: tuple[Served, Browser]) -> None:
    """An eighth of the corpus, on each sort of database; the whole of it runs in `make soak`."""
    served, browser = everybody
    for number in range(60):
        asked = request(number)
        assert asked_of(browser, asked).status_code < 500, asked
    assert not verify_store(served.store).wrong


@pytest.mark.parametrize("field", ["since", "until"])
def test_ends_of_the_calendar_in_a_list(program: httpx.Client, field: str) -> None:
    for time in TIMES:
        assert program.get("/readings", params={field: time}).status_code in (200, 422), time


def test_ends_of_the_calendar_as_the_time_of_the_dip(program: httpx.Client, samples: Path) -> None:
    data = (samples / "sites" / "harbour-kiosk.jpg").read_bytes() + b"dipped"
    for time in TIMES:
        answer = program.post("/readings", params={"batch": BATCH, "dipped": time}, content=data)
        assert answer.status_code in (200, 201, 422), (time, answer.text)


def test_a_camera_without_a_calendar_blocks_no_queue(program: httpx.Client, samples: Path) -> None:
    """Its photographs are kept and read, the time of exposure unknown."""
    photo = samples / "sites" / "harbour-kiosk.jpg"
    for date in ("0001:01:01 00:00:00", "9999:12:31 23:59:59"):
        block = metadata.tiff([(0x010F, 2, 9, b"invented\0")], [(0x9003, 2, 20, date.encode() + b"\0")])
        whole = file_of(picture(photo).pixels, "JPEG", quality=92)
        body = b"Exif\0\0" + block
        data = whole[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2) + body + whole[2:]
        answer = program.post("/readings", params={"batch": BATCH}, content=data)
        assert answer.status_code == 201
        assert answer.json()["status"] == "measured"
    sound = phone_photo(photo, taken="2031:05:04 09:37:40").data
    assert program.post("/readings", params={"batch": BATCH}, content=sound).status_code == 201
