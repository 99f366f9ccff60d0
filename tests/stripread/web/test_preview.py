"""The provisional result: from a small copy of the photograph, before the original has arrived."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import cv2
import msgspec
import pytest

from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.materials import Batch, Tube

from .conftest import BATCH, Browser, Served


@pytest.fixture(scope="module")
def small_photo(samples: Path) -> bytes:
    """A copy 1280 pixels wide, as the page makes it."""
    whole = cv2.imread(str(samples / "sites" / "mill-yard.jpg"))
    assert whole is not None
    small = cv2.resize(whole, (1280, 960), interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 85])
    assert done
    return data.tobytes()


def preview(technician: Browser, photo: bytes, **tube: str) -> str:
    return technician.send("POST", "/take/preview", params={"batch": BATCH, **tube}, content=photo).text


def test_a_preview_has_values_and_stores_nothing(bench: Served, technician: Browser, small_photo: bytes) -> None:
    answer = preview(technician, small_photo)
    assert "Provisional values" in answer
    assert "Total hardness" in answer
    assert not any(bench.store.find(kind) for kind in (Photograph, StoredReading, StoredAssessment))


def test_the_expiry_date_is_that_of_the_chosen_tube(bench: Served, technician: Browser, small_photo: bytes) -> None:
    """An empty tube that was opened long ago, and one that was not opened before."""
    with bench.store.writing(bench.account("administrator")) as work:
        work.put(msgspec.structs.replace(bench.store.get(Batch, BATCH), keeps_days=90), "dated")
        work.put(Tube(id="old", batch=BATCH, opened=date(2001, 5, 4), finished=date(2001, 9, 1)), "made")
        work.put(Tube(id="new", batch=BATCH), "made")
    assert "past their expiry date" in preview(technician, small_photo, tube="old")
    assert "past their expiry date" not in preview(technician, small_photo, tube="new")
