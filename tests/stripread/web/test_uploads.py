"""Uploads in parts as phones send them: offsets, invalid requests, bounds."""

from __future__ import annotations

import pytest

from stripread.store.partial_uploads import MOST_BYTES

from .conftest import Browser, Served

KEY = "0123456789abcdef"


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
    ("POST", f"/take/uploads/{KEY}?offset={MOST_BYTES + 1}", 413),
    ("POST", f"/take/original?upload={'f' * 32}", 409)])
def test_what_is_no_upload(method: str, path: str, status: int, technician: Browser) -> None:
    assert technician.send(method, path, headers={"accept": "application/json"}).status_code == status


def test_a_part_is_bounded(technician: Browser) -> None:
    answer = technician.send("POST", f"/take/uploads/{KEY}", params={"offset": 0}, content=bytes(2**20 + 1))
    assert answer.status_code == 413
