"""`stripread serve --demo`: localhost only, new passwords at each start, and every page states what its data are."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import cast

import pytest

from shared.errors import InputError
from stripread.demo.construction import Construction, StoryClock, WorkerPool, found_company, settings_of
from stripread.demo.folder import new_passwords
from stripread.store import sign_ins
from stripread.store.models.accounts import ROLES
from stripread.store.settings import Settings
from stripread.store.store import open_store
from stripread.web.app import ROUTES
from stripread.web.state import ServerConfig, check_config
from stripread.web.worker import Workers
from tests.loops import some

from .conftest import CHEAP, serving

NOTICE = "Demonstration data"


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """The company on its first day; the photographs of the year are not needed."""
    clock = StoryClock(datetime(2031, 1, 1, tzinfo=UTC))
    store = open_store(settings_of(tmp_path), clock)
    found_company(Construction(store, clock, date(2031, 1, 1), cast(WorkerPool, None)))
    store.close()
    return settings_of(tmp_path)


def test_every_page_has_the_notice_and_no_other_server_has(settings: Settings, workers: Workers) -> None:
    paths = [way.path for way in ROUTES if way.method == "GET" and "{" not in way.path]
    with serving(open_store(settings), workers, ServerConfig(port=0, demonstration=True)) as running:
        answers = [running.role(*ROLES).get(path) for path in paths]
        # A part that a script adds to a page has no frame of its own.
        pages = [a for a in answers if a.status_code == 200 and a.text.lstrip().startswith("<!doctype html>")]
        assert len(pages) > 5
        assert [str(page.url) for page in pages if NOTICE not in page.text] == []
    with serving(open_store(settings), workers) as running:
        assert NOTICE not in running.browser().get("/sign-in").text


def test_each_start_gives_every_role_a_new_password(settings: Settings) -> None:
    first, second = (dict(new_passwords(settings, CHEAP.hash)) for _ in range(2))
    assert [person.role for person in first] == [person.role for person in second]
    assert {person.role for person in first} == set(ROLES)
    assert len({*first.values(), *second.values()}) == 2 * len(ROLES)
    store = open_store(settings, new=False)
    for person, password in some(second.items()):
        found = sign_ins.find_sign_in(store, person.sign_in)
        assert found is not None
        assert CHEAP.right(password, found[1])
        assert not CHEAP.right(first[person], found[1])
    store.close()


@pytest.mark.parametrize("reachable", [
    ServerConfig(host="192.0.2.7", demonstration=True), ServerConfig(proxy="127.0.0.1", demonstration=True),
    ServerConfig(names=("example.org",), demonstration=True)])
def test_only_this_machine_may_reach_it(reachable: ServerConfig) -> None:
    with pytest.raises(InputError, match="for this machine only"):
        check_config(reachable, someone_can_sign_in=True)
    check_config(ServerConfig(demonstration=True), someone_can_sign_in=True)
