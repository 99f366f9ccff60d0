"""Uploads in parts: whatever is lost, repeated or interrupted, the bytes that arrive are those that were sent."""

from __future__ import annotations

import os
import random
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stripread.web.partial_uploads import MOST_BYTES, PartialUploads, UploadState
from stripread.web.refusals import HTTPRefusal

from .conftest import Browser, Served

KEY = "0123456789abcdef"


FAULTS = st.lists(st.sampled_from(["sent", "request lost", "answer lost", "restart"]), max_size=30)


@given(st.integers(0, 2**32), FAULTS)
def test_an_upload_ends_with_its_bytes(tmp_path_factory: pytest.TempPathFactory, seed: int, faults: list[str]) -> None:
    """The phone's part of the protocol: ask for the offset, send from there; a model of it against the files."""
    chance, folder = random.Random(seed), tmp_path_factory.mktemp("uploads")
    data = chance.randbytes(chance.randrange(1, 400))
    uploads, todo = PartialUploads(folder), list(faults)
    while (offset := uploads.state("account", KEY).offset) < len(data):
        fault = todo.pop() if todo else "sent"
        part = data[offset : offset + chance.randrange(1, 100)]
        if fault == "restart":
            uploads = PartialUploads(folder)
        elif fault != "request lost":
            assert uploads.append("account", KEY, offset, part).offset == offset + len(part)
        if fault == "answer lost":  # the phone repeats the part; the server has it already
            assert uploads.append("account", KEY, offset, part).offset == offset + len(part)
    assert uploads.contents("account", KEY) == data
    uploads.finish("account", KEY, "photograph")
    assert uploads.append("account", KEY, 0, data) == UploadState(0, "photograph")
    assert PartialUploads(folder).state("account", KEY) == UploadState(0, "photograph")
    uploads.discard("account", KEY)
    assert uploads.state("account", KEY) == UploadState(0)
    assert not list(folder.rglob("*.*"))


def test_an_upload_belongs_to_its_account(tmp_path: Path) -> None:
    uploads = PartialUploads(tmp_path)
    uploads.append("one", KEY, 0, b"12345")
    assert uploads.state("other", KEY).offset == 0
    assert uploads.contents("other", KEY) == b""
    uploads.discard("other", KEY)
    assert uploads.state("one", KEY).offset == 5


def test_a_part_that_is_cut_counts_as_far_as_it_came(tmp_path: Path) -> None:
    """A server killed while it writes leaves a part of the part."""
    uploads = PartialUploads(tmp_path)
    uploads.append("account", KEY, 0, b"1234567890")
    (file,) = tmp_path.rglob("*.bytes")
    file.write_bytes(b"1234567")
    assert uploads.append("account", KEY, 10, b"abc").offset == 7
    assert uploads.append("account", KEY, 7, b"890").offset == 10


def test_what_is_unfinished_ends(tmp_path: Path) -> None:
    uploads = PartialUploads(tmp_path)
    uploads.append("account", "a" * 16, 0, b"x")
    (old,) = tmp_path.rglob("*.bytes")
    os.utime(old, (time.time() - 8 * 86400,) * 2)
    uploads.append("account", "b" * 16, 0, b"x")
    assert uploads.state("account", "a" * 16).offset == 0
    assert uploads.state("account", "b" * 16).offset == 1


def test_an_upload_is_bounded(tmp_path: Path) -> None:
    uploads = PartialUploads(tmp_path)
    with pytest.raises(HTTPRefusal):
        uploads.append("account", KEY, 0, bytes(MOST_BYTES + 1))


@pytest.fixture(scope="module")
def technician(shared_server: Served) -> Browser:
    return shared_server.role("technician")


def send(browser: Browser, offset: int | str, part: bytes) -> tuple[int, int]:
    answer = browser.send("POST", f"/take/uploads/{KEY}", params={"offset": offset}, content=part)
    return answer.status_code, answer.json().get("offset", -1)


def test_offsets_on_the_line(shared_server: Served, technician: Browser) -> None:
    assert technician.get(f"/take/uploads/{KEY}").json() == {"offset": 0, "photograph": ""}
    assert send(technician, 0, b"12345") == (200, 5)
    assert send(technician, 0, b"12345") == (200, 5)  # a repeated part adds nothing
    assert send(technician, 9, b"12345") == (409, 5)
    assert send(technician, 5, b"678") == (200, 8)
    assert shared_server.role("technician").get(f"/take/uploads/{KEY}").json()["offset"] == 0
    assert technician.send("POST", f"/take/uploads/{KEY}/discard").json()["offset"] == 0


@pytest.mark.parametrize(("method", "path", "status"), [
    ("GET", "/take/uploads/short", 404), ("GET", "/take/uploads/..%2f..%2f..%2fetc%2fpasswd0", 404),
    ("POST", f"/take/uploads/{KEY}?offset=-1", 422), ("POST", f"/take/uploads/{KEY}?offset=none", 422),
    ("POST", f"/take/original?upload={'f' * 32}", 409)])
def test_what_is_no_upload(method: str, path: str, status: int, technician: Browser) -> None:
    assert technician.send(method, path, headers={"accept": "application/json"}).status_code == status


def test_a_part_is_bounded(technician: Browser) -> None:
    answer = technician.send("POST", f"/take/uploads/{KEY}", params={"offset": 0}, content=bytes(2**20 + 1))
    assert answer.status_code == 413
