"""A photograph is safe before it is acknowledged; damage is named and repaired; a purged file is recorded."""

from __future__ import annotations

import os
import signal
import time
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from stripread.intake.receive import delete_photo, receive, received_before
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.photos import Folder
from stripread.store.settings import Settings
from stripread.store.store import open_store
from tests.stripread.store.faults import RECEIVE, start
from tests.stripread.store.histories import ACCOUNT, NOW, empty_store, photograph_of
from tests.stripread.store.world import PHOTOGRAPH, PICTURE, World


def path_of(world: World, id_: str = PHOTOGRAPH.id) -> Path:
    place = world.store.photographs
    assert isinstance(place, Folder)
    return place.root / id_[:2] / id_


def test_receiving_a_photograph_is_idempotent(world: World) -> None:
    head = world.store.head()
    assert not receive(world.store, PHOTOGRAPH, PICTURE)
    assert world.store.head() == head


@pytest.mark.parametrize(("change", "data"), [({}, b"other"), ({"size": 3}, PICTURE)])
def test_bytes_that_do_not_match_the_record_are_rejected(world: World, change: dict[str, int], data: bytes) -> None:
    with pytest.raises(RecordsError, match="the bytes do not match the record"):
        receive(world.store, msgspec.structs.replace(PHOTOGRAPH, **change), data)


@pytest.mark.parametrize(("spoilt", "words"), [(b"damaged", "the photograph is damaged"), (None, "is missing")])
def test_damage_is_reported_and_repaired_by_receiving_again(world: World, spoilt: bytes | None, words: str) -> None:
    path = path_of(world)
    if spoilt is None:
        path.unlink()
    else:
        path.write_bytes(spoilt)
    wrong = verify_store(world.store).wrong
    assert wrong.startswith(str(path))
    assert words in wrong
    receive(world.store, PHOTOGRAPH, PICTURE)
    assert verify_store(world.store).wrong == ""


def test_a_purge_deletes_the_bytes_and_retains_the_evidence(world: World) -> None:
    head = world.store.head()
    delete_photo(world.store, PHOTOGRAPH.id, by=ACCOUNT, why="five years are over")
    assert not path_of(world).exists()
    assert world.store.get(Photograph, PHOTOGRAPH.id).removed == NOW
    assert len(world.store.find(StoredReading, photograph=PHOTOGRAPH.id)) == 2
    found = verify_store(world.store, head)
    assert (found.wrong, found.notes, found.head.entries) == ("", (), head.entries + 1)
    with pytest.raises(RecordsError, match="a purged photograph is not accepted again; found purged on 2026-03-02"):
        receive(world.store, PHOTOGRAPH, PICTURE)


def test_an_interrupted_purge_resumes(world: World) -> None:
    delete_photo(world.store, PHOTOGRAPH.id, by=ACCOUNT, why="over")
    world.store.photographs.put(PHOTOGRAPH.id, PICTURE)
    (note,) = verify_store(world.store).notes
    assert "was purged, but its file still exists" in note
    head = world.store.head()
    delete_photo(world.store, PHOTOGRAPH.id, by=ACCOUNT, why="over")
    assert (verify_store(world.store).notes, world.store.head()) == ((), head)


def test_purging_an_unknown_photograph_is_an_error(world: World) -> None:
    with pytest.raises(RecordsError, match="no such photograph"):
        delete_photo(world.store, "0" * 64, by=ACCOUNT, why="over")


def test_photographs_are_selected_by_age(world: World) -> None:
    assert received_before(world.store, NOW) == []
    assert received_before(world.store, NOW + timedelta(seconds=1)) == [PHOTOGRAPH]
    delete_photo(world.store, PHOTOGRAPH.id, by=ACCOUNT, why="over")
    assert received_before(world.store, NOW + timedelta(days=1)) == []


def test_unacknowledged_bytes_are_a_note(world: World) -> None:
    """So it is after a fault between bytes and record."""
    other = photograph_of("other", NOW, point="tap", batch="samples")
    world.store.photographs.put(other.id, b"other")
    found = verify_store(world.store)
    assert found.wrong == ""
    assert found.notes == ("photographs without a record: 1; add them again to complete their upload",)
    receive(world.store, other, b"other")
    assert verify_store(world.store).notes == ()


def test_a_kill_loses_no_acknowledged_photograph(tmp_path: Path) -> None:
    empty_store(tmp_path).close()
    database, place = f"sqlite:///{tmp_path / 'records.sqlite'}", str(tmp_path / "photographs")
    printed: set[str] = set()
    for run in range(2):
        with start(RECEIVE, database, place, str(run)) as process:
            assert process.stdout
            printed.add(process.stdout.readline().strip())
            time.sleep(0.1 + 0.13 * run)
            os.kill(process.pid, signal.SIGKILL)
            printed.update(line.strip() for line in process.stdout if line.endswith("\n"))
    store = open_store(Settings(database=database, photographs=place))
    assert len(printed) > 3
    assert printed <= {photograph.id for photograph in store.find(Photograph)}
    assert verify_store(store).wrong == ""
    store.close()
