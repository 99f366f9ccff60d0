"""A photograph taken again supersedes the earlier reading of the same account, sampling point and batch."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import pytest

from stripread.store.models.evidence import StoredReading
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, POINT, Browser, Served


def send(browser: Browser, path: Path, tail: bytes = b"", **fields: str) -> httpx.Response:
    """A sample that was not sent before, by bytes after the picture's end."""
    data = phone_photo(path, taken="2031:05:04 09:30:40").data + tail
    return browser.send("POST", "/take/original", params={"point": POINT, "batch": BATCH, **fields}, content=data,
                        headers={"accept": "application/json"})


def reading_of(bench: Served, answer: httpx.Response) -> StoredReading:
    assert answer.status_code == 200
    return bench.store.get(StoredReading, re.findall(r'data-reading="([^"]+)"', answer.text)[0])


def test_the_chain_is_followed(bench: Served, technician: Browser, samples: Path) -> None:
    """Two retakes of one reading, as after a lost answer: the second supersedes the first retake."""
    first, second, third = ("mill-yard", "old-cellar", "harbour-kiosk")
    old = reading_of(bench, send(technician, samples / "sites" / f"{first}.jpg", b"chain"))
    one, two = (reading_of(bench, send(technician, samples / "sites" / f"{name}.jpg", b"chain", replaces=old.id))
                for name in (second, third))
    assert (one.supersedes, two.supersedes) == (old.id, one.id)


def test_a_retake_without_a_result_leaves_the_result_current(bench: Served, technician: Browser,
                                                             samples: Path) -> None:
    good = reading_of(bench, send(technician, samples / "sites" / "mill-yard.jpg", b"good"))
    bad = reading_of(bench, send(technician, samples / "faults" / "no-strip.jpg", b"bad", replaces=good.id))
    assert (bad.reading.status, bad.supersedes) == ("no-result", None)
    better = reading_of(bench, send(technician, samples / "sites" / "old-cellar.jpg", b"better", replaces=bad.id))
    assert better.supersedes == bad.id


@pytest.mark.parametrize(("fields", "says"), [
    ({"replaces": "none-such"}, "no such reading"), ({"point": ""}, "same sampling point")])
def test_what_may_not_be_replaced(bench: Served, technician: Browser, samples: Path, fields: dict[str, str],
                                  says: str) -> None:
    old = reading_of(bench, send(technician, samples / "sites" / "mill-yard.jpg", says.encode()))
    answer = send(technician, samples / "sites" / "old-cellar.jpg", says.encode(), **{"replaces": old.id, **fields})
    assert answer.status_code == 422
    assert says in answer.json()["title"]


def test_another_account_replaces_nothing(bench: Served, technician: Browser, samples: Path) -> None:
    old = reading_of(bench, send(technician, samples / "sites" / "mill-yard.jpg", b"other"))
    answer = send(bench.role("technician"), samples / "sites" / "old-cellar.jpg", b"other", replaces=old.id)
    assert answer.status_code == 422
    assert "only the account" in answer.json()["title"]


def test_an_early_photograph_is_to_be_taken_again(technician: Browser, samples: Path) -> None:
    """10 s after the dip the same strip can still be photographed within its reading window; 40 s after it need not."""
    early, timely = (send(technician, samples / "sites" / "mill-yard.jpg", dipped.encode(), dipped=dipped).text
                     for dipped in ("2031-05-04T09:30:30+02:00", "2031-05-04T09:30:00+02:00"))
    assert "data-again" in early
    assert "data-again" not in timely
