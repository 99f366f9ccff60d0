"""A photograph whose markers are hidden, read where a reviewer places the card."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.intake.process import process_photos
from stripread.intake.receive import SampleInfo, delete_photo, receive_photo
from stripread.reading.manual_location import points_of
from stripread.reading.photo_file import PhotoFile
from stripread.reading.read import read_photo
from stripread.reading.result import ManualLocation, Reading
from stripread.review.move import reread_with_manual_location
from stripread.review.queue import queue
from stripread.review.session import ReviewSession
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.reader import shifts
from tests.stripread.store.histories import ACCOUNT, keep

SITE = "limestone-hill"


@pytest.fixture
def store(sample_store: Store) -> Store:
    sample_store.review = ReviewPolicy(share=0.0)
    keep(sample_store, Account(id="ruth", roles=("reviewer",)))
    return sample_store


@pytest.fixture
def intact(samples: Path, sample_chart: Chart, sample_profile: PrintProfile) -> Reading:
    """Of the sample as it is."""
    return read_photo(samples / "sites" / f"{SITE}.jpg", sample_chart, [sample_profile])


@pytest.fixture
def corners(samples: Path) -> ManualLocation:
    """Where the card's corners were rendered."""
    truth = json.loads((samples / "sites" / f"{SITE}.json").read_text())
    return ManualLocation(corners=points_of(np.array(truth["card_corners_px"])))


@pytest.fixture
def refused(store: Store, samples: Path, sample_chart: Chart, corners: ManualLocation) -> str:
    """A sample with three of the card's corners under something."""
    pixels = cv2.imread(str(samples / "sites" / f"{SITE}.jpg"), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    assert pixels is not None
    quad = np.array(corners.corners)
    for corner in quad[:3]:
        inwards = corner + 0.1 * (quad.mean(axis=0) - corner)
        cv2.circle(pixels, (round(inwards[0]), round(inwards[1])), 100, (125, 150, 205), -1)
    data = cv2.imencode(".png", pixels)[1].tobytes()
    shot = receive_photo(
        store, ACCOUNT, PhotoFile(f"{SITE}.png", data), SampleInfo(batch=sample_chart.batch, point="tap")
    )
    (taken,) = process_photos(store, ACCOUNT, [shot])
    assert taken.reading is not None
    assert taken.reading.status == "no-result"
    return taken.reading.id


def test_a_photograph_is_evaluated_at_a_manual_location(store: Store, refused: str, corners: ManualLocation,
                                                               intact: Reading) -> None:
    """Against the same photograph with nothing on it."""
    new = reread_with_manual_location(ReviewSession(store, "ruth"), refused, corners, "Leaves lay on the corners.")
    assert new.supersedes == refused
    assert new.account == "ruth"
    assert new.reading.placed_by_hand == "card placed by hand"
    moved = shifts(new.reading, intact)
    assert len(moved) == 5
    assert max(moved.values()) < 0.5, "what lies on the corners moves no value by half of its interval"
    assert len(store.find(StoredAssessment, reading=new.id)) == 1
    assert store.get(StoredReading, refused).status == "no-result"
    assert [e.reading for e in queue(store)] == [new.id]
    assert not verify_store(store).wrong
    with pytest.raises(RecordsError, match="superseded"):
        reread_with_manual_location(ReviewSession(store, "ruth"), refused, corners, "Again.")


def test_a_failed_evaluation_stores_nothing(store: Store, refused: str, corners: ManualLocation) -> None:
    head, reviewer = store.head(), ReviewSession(store, "ruth")
    off = ManualLocation(corners=((0.0, 0.0), (300.0, 0.0), (300.0, 200.0), (0.0, 200.0)))
    for who, hand, why, message in (
        (ReviewSession(store, ACCOUNT), corners, "why", "may not review"),
        (reviewer, corners, " ", "a reason is required"),
        (reviewer, off, "why", "no result at this location"),
    ):
        with pytest.raises(RecordsError, match=message):
            reread_with_manual_location(who, refused, hand, why)
    assert store.head() == head
    delete_photo(store, store.get(StoredReading, refused).photograph, by=ACCOUNT, why="old")
    with pytest.raises(RecordsError, match="purged"):
        reread_with_manual_location(reviewer, refused, corners, "why")
