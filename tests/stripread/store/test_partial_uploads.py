"""Uploads in parts: whatever is lost, repeated or interrupted, the bytes that arrive are those that were sent."""

from __future__ import annotations

import random
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import datetime, timedelta

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as tries
from hypothesis import strategies as st
from sqlalchemy import func, select

from stripread.store.partial_uploads import PartialUploads, UploadState
from stripread.store.schema import UPLOAD_PARTS, UPLOADS
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.stripread.store.histories import NOW

KEY = "0123456789abcdef"
#: Which servers receive a part; after a lost answer the phone repeats it, and the second server has it already.
RECEIVERS = {"sent": (0,), "request lost": (), "answer lost": (0, 1), "other server": (1,)}
FAULTS = st.lists(st.sampled_from(list(RECEIVERS)), max_size=12)


@pytest.fixture
def servers(settings: Settings) -> Iterator[list[PartialUploads]]:
    """Two servers of one store."""
    with closing(open_store(settings)) as first, closing(open_store(settings)) as second:
        yield [PartialUploads(first), PartialUploads(second)]


def rows(store: Store) -> tuple[int, int]:
    """Number of uploads, and of parts."""
    with store.viewing() as connection:
        uploads, parts = (connection.scalar(select(func.count()).select_from(t)) or 0 for t in (UPLOADS, UPLOAD_PARTS))
    return uploads, parts


@tries(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**32), FAULTS)
def test_an_upload_ends_with_its_bytes(servers: list[PartialUploads], seed: int, faults: list[str]) -> None:
    """The phone's part of the protocol: ask any server for the offset, send from there, to whichever server answers."""
    chance, todo = random.Random(seed), list(faults)
    here, other = servers
    data = chance.randbytes(chance.randrange(1, 400))
    while (offset := chance.choice(servers).state("account", KEY).offset) < len(data):
        receivers = RECEIVERS[todo.pop() if todo else "sent"]
        part = data[offset : offset + chance.randrange(1, 200)]
        offsets = [servers[n].append("account", KEY, offset, part).offset for n in receivers]
        assert offsets == [offset + len(part)] * len(receivers)
    assert other.contents("account", KEY) == data
    here.finish("account", KEY, "photograph")
    assert other.append("account", KEY, 0, data) == UploadState(0, "photograph")
    assert here.state("account", KEY) == UploadState(0, "photograph")
    other.discard("account", KEY)
    assert here.state("account", KEY) == UploadState(0)


def test_a_part_sent_to_both_servers_at_once_counts_once(servers: list[PartialUploads]) -> None:
    """A phone that changes servers while the first one is still writing."""
    sent = [bytes([n]) * 1000 for n in range(8)]
    with ThreadPoolExecutor(2) as pool:
        for n, part in enumerate(sent):
            states = pool.map(lambda server, n=n, part=part: server.append("account", KEY, 1000 * n, part), servers)
            assert {state.offset for state in states} == {1000 * (n + 1)}
    assert servers[1].contents("account", KEY) == b"".join(sent)


def test_an_upload_belongs_to_its_account(servers: list[PartialUploads]) -> None:
    uploads = servers[0]
    uploads.append("one", KEY, 0, b"12345")
    assert uploads.state("other", KEY).offset == 0
    assert uploads.contents("other", KEY) == b""
    uploads.discard("other", KEY)
    assert uploads.state("one", KEY).offset == 5


def test_an_unfinished_upload_ends(settings: Settings) -> None:
    """A week after its last part, when any account starts another upload."""
    now = [NOW]

    def clock() -> datetime:
        return now[0]

    with closing(open_store(settings, clock)) as store:
        uploads = PartialUploads(store)
        for key in "ab":
            uploads.append("one", key * 16, 0, b"x")
        now[0] += timedelta(days=6)
        uploads.append("one", "b" * 16, 1, b"y")
        now[0] += timedelta(days=2)
        uploads.append("other", KEY, 0, b"x")
        assert (uploads.state("one", "a" * 16).offset, uploads.contents("one", "b" * 16)) == (0, b"xy")
        assert rows(store) == (2, 3)


def test_an_account_has_a_limited_number_of_unfinished_uploads(mill: Store) -> None:
    uploads = PartialUploads(mill)
    for n in range(60):
        uploads.append("one", f"{n:016}", 0, b"x")
    assert rows(mill) == (50, 50)
