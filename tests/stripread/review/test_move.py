"""A photograph added to the wrong point, tube or account is moved with a reason, and nothing of it is lost."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import msgspec
import pytest
from sqlalchemy import select

from calibration.chart import Chart
from stripread.intake.materials_import import register_chart
from stripread.intake.process import process_photos
from stripread.intake.receive import SampleInfo, receive_photo
from stripread.monitoring.valid_readings import valid_readings
from stripread.reading.photo_file import PhotoFile
from stripread.review.move import Destination, move
from stripread.review.session import ReviewSession
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.materials import Tube
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.reading_status import current_assessment, last_reading
from stripread.store.schema import AUDIT_TRAIL
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.stripread.intake.phone_photos import phone_photo, shifted
from tests.stripread.store.histories import ACCOUNT, NOW, keep

WRONG = "The label of the tap next to it was scanned."


@pytest.fixture
def store(sample_store: Store) -> Store:
    keep(sample_store, Account(id="ruth", roles=("reviewer",)), Account(id="omar", roles=("technician",)))
    return sample_store


@pytest.fixture
def hill(samples: Path) -> PhotoFile:
    return phone_photo(samples / "sites" / "limestone-hill.jpg", taken="2026:03:01 09:00:45")


@pytest.fixture
def reading(store: Store, sample_chart: Chart, hill: PhotoFile) -> StoredReading:
    (taken,) = process_photos(
        store, ACCOUNT, [receive_photo(store, ACCOUNT, hill, SampleInfo(batch=sample_chart.batch, point="tap"))]
    )
    assert taken.reading is not None
    return taken.reading


def last_reasons(store: Store, n: int) -> list[tuple[str, str, str]]:
    """Who, what and why of the latest entries, the earliest first."""
    with store.viewing() as connection:
        texts = connection.scalars(select(AUDIT_TRAIL.c.entry).order_by(AUDIT_TRAIL.c.seq.desc()).limit(n)).all()
    return [(e["who"], e["what"], e["why"]) for e in map(json.loads, reversed(texts))]


def test_a_photograph_is_moved_to_another_point(store: Store, reading: StoredReading) -> None:
    """The values stay, the machine's verdict is made again, and no list has the sample at the wrong point."""
    new = move(store, ACCOUNT, reading.photograph, Destination(point="behind", why=WRONG))
    assert new is not None
    assert new == last_reading(store, reading.photograph)
    assert (new.supersedes, new.reading.pads) == (reading.id, reading.reading.pads)
    assert current_assessment(store, new.id) is not None
    assert [(r.id, r.point, r.reviewed) for r in readings(store, ReadingFilter())] == [(new.id, "behind", "unreviewed")]
    assert [c.point for c in valid_readings(store)] == ["behind"]
    assert store.get(StoredReading, reading.id) == reading
    assert last_reasons(store, 3) == [(ACCOUNT, what, WRONG) for what in ("moved", "superseded", "assessed")]
    assert not verify_store(store).wrong


def test_a_photograph_is_moved_to_a_tube_of_another_batch(
    store: Store, reading: StoredReading, sample_chart: Chart
) -> None:
    """The photograph is evaluated again, on that batch's chart."""
    other = msgspec.structs.replace(shifted(sample_chart), batch="B")
    register_chart(store, ACCOUNT, other)
    keep(store, Tube(id="B/1", batch="B", opened=date(2026, 2, 1)))
    new = move(store, "ruth", reading.photograph, Destination(tube="B/1", why="Two tubes lay there."))
    assert new is not None
    photograph = store.get(Photograph, reading.photograph)
    assert (new.chart, photograph.batch, photograph.tube) == (other.id, "B", "B/1")
    assert [p.value for p in new.reading.pads] != [p.value for p in reading.reading.pads]
    assert not verify_store(store).wrong


def test_a_photograph_is_moved_to_another_account(store: Store, reading: StoredReading) -> None:
    """By somebody else than the two: each could hide whose it is."""
    with pytest.raises(RecordsError, match="may not move"):
        move(store, ACCOUNT, reading.photograph, Destination(account="omar", why="Omar used my phone."))
    assert move(store, "ruth", reading.photograph, Destination(account="omar", why="Omar used that phone."))
    assert store.get(Photograph, reading.photograph).account == "omar"


@pytest.mark.parametrize(("by", "to", "message"), [
    (ACCOUNT, Destination(point="behind", why=" "), "a reason is required"),
    (ACCOUNT, Destination(point="nowhere", why=WRONG), "no such sampling point"),
    (ACCOUNT, Destination(tube="none", why=WRONG), "no such tube"),
    (ACCOUNT, Destination(point="tap", why=WRONG), "already recorded there"),
    (ACCOUNT, Destination(why=WRONG), "no destination"),
    ("omar", Destination(point="behind", why=WRONG), "may not move"),
])
def test_a_rejected_move_changes_nothing(store: Store, hill: PhotoFile, by: str, to: Destination, message: str) -> None:
    photograph = receive_photo(store, ACCOUNT, hill, SampleInfo(batch="samples", point="tap"))
    head = store.head()
    with pytest.raises(RecordsError, match=message):
        move(store, by, photograph.id, to)
    assert store.head() == head


def test_adding_a_photograph_at_another_point_names_the_move_command(
        store: Store, sample_chart: Chart, hill: PhotoFile) -> None:
    first = receive_photo(store, ACCOUNT, hill, SampleInfo(batch=sample_chart.batch, point="tap"))
    with pytest.raises(RecordsError, match=r"stored with another point.*found behind; allowed: tap.*readings move"):
        receive_photo(store, ACCOUNT, hill, SampleInfo(batch=sample_chart.batch, point="behind"))
    assert store.get(Photograph, first.id) == first
    assert move(store, ACCOUNT, first.id, Destination(point="behind", why=WRONG)) is None, "it has no reading yet"
    assert receive_photo(store, ACCOUNT, hill, SampleInfo(batch=sample_chart.batch, point="behind")).point == "behind"


def test_a_site_closed_while_the_photograph_was_queued(store: Store, sample_chart: Chart, hill: PhotoFile) -> None:
    """It is stored, evaluated and flagged, and can be moved to where it belongs."""
    keep(store, Site(id="mill", name="Mill Lane", group="north", closed=date(2026, 3, 1)), Site(id="new", name="New"),
         SamplingPoint(id="new tap", site="new", place="mains", name="tap"))
    (taken,) = process_photos(
        store, ACCOUNT, [receive_photo(store, ACCOUNT, hill, SampleInfo(batch=sample_chart.batch, point="tap"))]
    )
    assert taken.reading is not None
    assert "point-closed" in taken.reading.reading.flags
    assert taken.assessment is not None
    new = move(store, ACCOUNT, taken.photograph.id, Destination(point="new tap", why="The site moved."))
    assert new is not None
    assert "point-closed" not in new.reading.flags
    keep(store, Site(id="mill", name="Mill Lane", group="north", closed=NOW.date().replace(day=28)))
    back = move(store, ACCOUNT, taken.photograph.id, Destination(point="tap", why="It was open then."))
    assert back is not None
    assert "point-closed" not in back.reading.flags


def test_a_lone_user_is_shown_how_to_reject_their_own_reading(store: Store, reading: StoredReading) -> None:
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    alone = ReviewSession(store, ACCOUNT)
    with pytest.raises(RecordsError, match=r"own = true.*\[review\].*STRIPREAD_SETTINGS"):
        alone.reject(reading.id, "water", WRONG)
    store.review = ReviewPolicy(own=True)
    assert alone.reject(reading.id, "water", WRONG).own
    assert valid_readings(store) == []
