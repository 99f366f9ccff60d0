"""Where photographs lie: the same promises in a folder and in a bucket, and what happens when the place fails."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stripread.store.errors import RecordsError
from stripread.store.photos import Bucket, Folder, PhotoStore, open_photographs
from tests.services import free_port

BYTES = b"the bytes of a photograph"
NAME = hashlib.sha256(BYTES).hexdigest()


@pytest.fixture(params=["folder", "bucket"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> PhotoStore:
    """An empty place of each sort in turn."""
    if request.param == "folder":
        return open_photographs(str(tmp_path / "photographs"))
    return open_photographs(request.getfixturevalue("bucket_url"))


@pytest.fixture
def spoil(place: PhotoStore) -> Callable[[bytes], None]:
    """Writes other bytes where the photograph lies, as a failing disk or an intruder would."""
    if isinstance(place, Folder):
        return lambda data: cast("None", (place.root / NAME[:2] / NAME).write_bytes(data))
    import obstore

    return lambda data: cast("None", obstore.put(cast("Bucket", place)._store, NAME, data))


def test_a_photograph_is_stored_until_it_is_removed(place: PhotoStore) -> None:
    assert list(place.names()) == []
    for _ in range(2):
        place.put(NAME, BYTES)
        assert place.get(NAME) == BYTES
        assert list(place.names()) == [NAME]
    for _ in range(2):
        place.remove(NAME)
        assert list(place.names()) == []
    with pytest.raises(RecordsError, match="the photograph is missing"):
        place.get(NAME)


@pytest.mark.parametrize("damage", [b"", b"other bytes", BYTES[:-1], BYTES + b"\0"])
def test_damage_is_reported_and_repaired_by_storing_again(
        place: PhotoStore, spoil: Callable[[bytes], None], damage: bytes) -> None:
    place.put(NAME, BYTES)
    spoil(damage)
    with pytest.raises(RecordsError, match=f"{NAME}: the photograph is damaged"):
        place.get(NAME)
    place.put(NAME, BYTES)
    assert place.get(NAME) == BYTES


def test_bytes_with_another_hash_are_rejected(place: PhotoStore) -> None:
    with pytest.raises(RecordsError, match="the photograph is damaged"):
        place.put(NAME, b"other bytes")
    assert list(place.names()) == []


def test_other_files_in_the_same_place_are_ignored(place: PhotoStore) -> None:
    place.put(NAME, BYTES)
    if isinstance(place, Folder):
        (place.root / "notes").mkdir()
        (place.root / "notes" / "readme.txt").write_text("keep out")
    else:
        import obstore

        obstore.put(cast("Bucket", place)._store, "notes/readme.txt", b"keep out")
    assert list(place.names()) == [NAME]


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=2000))
def test_any_bytes_survive_storage(place: PhotoStore, data: bytes) -> None:
    name = hashlib.sha256(data).hexdigest()
    place.put(name, data)
    assert place.get(name) == data


@pytest.mark.parametrize("name", ["../../etc/passwd", "", NAME.upper(), NAME[:-1], f"{NAME}\n", f"{NAME}/../x"])
def test_a_name_cannot_escape_the_folder(tmp_path: Path, name: str) -> None:
    place = Folder(tmp_path / "photographs")
    for act in (place.get, place.remove):
        with pytest.raises(RecordsError, match="not the name of a photograph"):
            act(name)


def test_partial_files_are_ignored_and_removed_after_a_day(tmp_path: Path) -> None:
    place = Folder(tmp_path)
    place.put(NAME, BYTES)
    old, new = (tmp_path / NAME[:2] / f".{name}.part" for name in ("old", "new"))
    for half in (old, new):
        half.write_bytes(BYTES[:5])
    os.utime(old, (0, 0))
    assert list(place.names()) == [NAME]
    place.remove(NAME)
    place.put(NAME, BYTES)
    assert (old.exists(), new.exists()) == (False, True)


def test_a_failed_write_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordsError, match="the photograph store failed; found No space left on device"):
        Folder(tmp_path).put(NAME, BYTES)
    assert not [p for p in tmp_path.rglob("*") if p.is_file()]


def test_a_file_in_place_of_the_folder_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "photographs").write_text("a file")
    with pytest.raises(RecordsError, match="the photograph store failed"):
        Folder(tmp_path / "photographs").put(NAME, BYTES)


@pytest.mark.parametrize("place", ["ftp://elsewhere/x", "gs://bucket", "http://server"])
def test_other_types_of_store_are_rejected(place: str) -> None:
    with pytest.raises(RecordsError, match=r"this type of photograph store is not supported.*allowed: a folder, or s3://"):
        open_photographs(place)


def test_an_unreachable_server_is_reported_soon(bucket_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{free_port()}")
    monkeypatch.setattr("stripread.reading.photo_file._RETRIES", 1)
    with pytest.raises(RecordsError, match="the photograph store failed"):
        open_photographs(bucket_url).put(NAME, BYTES)


def test_a_missing_bucket_is_an_error(bucket_url: str) -> None:
    with pytest.raises(RecordsError, match="the photograph store failed"):
        open_photographs(bucket_url.replace("photographs", "nowhere")).put(NAME, BYTES)
