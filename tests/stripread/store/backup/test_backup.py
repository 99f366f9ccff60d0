"""A backup made in use restores to the same store, of either kind of database; what is half or changed never counts."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import msgspec
import pytest
from sqlalchemy import delete, func, select, text

from calibration.chart import Chart
from stripread.intake.receive import delete_photo, receive
from stripread.store.audit_trail import Checkpoint
from stripread.store.backup.archive import open_archive, tables
from stripread.store.backup.backup import PHOTOGRAPHS, RECORDS, BackupResult, back_up, restore
from stripread.store.database import LONGEST
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account, with_fresh_salt
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.schema import AUDIT_TRAIL, SESSIONS
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.loops import some
from tests.stripread.store.histories import ACCOUNT, Value, empty_store, keep, reading_of, with_chart, with_site
from tests.stripread.store.world import World

AT = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
Content = dict[str, list[dict[str, Any]]]


def photograph(store: Store, name: str) -> Photograph:
    """A photograph taken into custody; its bytes are only its name, many times."""
    data = name.encode() * 2000
    found = Photograph(id=hashlib.sha256(data).hexdigest(), name=name, size=len(data), received=AT, account=ACCOUNT,
                       point="tap", batch="A-1")
    receive(store, found, data)
    return found


@pytest.fixture
def store(tmp_path: Path, sample_chart: Chart) -> Iterator[Store]:
    """A few of many kinds: a person with a name, a reading superseded by one whose id comes before its own."""
    made = with_site(empty_store(tmp_path / "in use"))
    chart = with_chart(made, sample_chart, "A-1")["A-1"]
    with made.writing(ACCOUNT) as work:
        work.name(Account(id="second", roles=("manager",)), with_fresh_salt("second", "Ada Example"), "named")
    for name in ("a.jpg", "b.jpg", "c.jpg"):
        keep(made, reading_of(photograph(made, name), {"ph": Value(7.0, 0.1, 0.1)}, chart=chart))
    first = made.get(StoredReading, "reading of a.jpg")
    keep(made, msgspec.structs.replace(first, id="a later one", supersedes=first.id))
    yield made
    made.close()


def quiet(items: Any, _label: str) -> Any:
    return items


def kept(store: Store, folder: Path) -> BackupResult:
    return back_up(store, folder, quiet)


def restored(folder: Path, settings: Settings) -> Store:
    restore(folder, settings, quiet)
    return open_store(settings)


def fresh(folder: Path) -> Settings:
    return Settings(database=f"sqlite:///{folder / 'records.sqlite'}", photographs=str(folder / "photographs"))


def content(store: Store) -> Content:
    """All rows of all tables, and the names of all photographs."""
    with store.viewing() as connection:
        rows: Content = {t.name: [dict(row) for row in connection.execute(
            select(t).order_by(*t.primary_key)).mappings()] for t in tables(connection)}
    return rows | {"photographs that lie there": [{"name": name} for name in store.photographs.names()]}


def test_a_restored_store_equals_the_original(store: Store, tmp_path: Path) -> None:
    made = kept(store, tmp_path / "backup")
    again = restored(tmp_path / "backup", fresh(tmp_path / "new"))
    assert content(again) == content(store)
    assert made.manifest.rows.items() <= {name: len(rows) for name, rows in content(store).items()}.items()
    assert made.manifest.rows["readings"] == 4
    found = verify_store(again, head=store.head())
    assert (found.wrong, found.notes, found.head) == ("", (), store.head())


def test_every_record_type_is_restored_between_databases(world: World, settings: Settings,
                                                               tmp_path: Path) -> None:
    kept(world.store, tmp_path / "backup")
    again = restored(tmp_path / "backup", msgspec.structs.replace(settings, photographs=str(tmp_path / "new")))
    assert content(again) == content(world.store)
    assert verify_store(again, head=world.store.head()).wrong == ""
    again.close()


def test_only_new_photographs_are_copied_and_purged_ones_are_removed(store: Store, tmp_path: Path) -> None:
    assert kept(store, tmp_path / "backup").copied == 3
    before = {p: p.stat().st_ino for p in (tmp_path / "backup" / PHOTOGRAPHS).glob("*/*")}
    photograph(store, "d.jpg")
    gone = store.find(Photograph, name="b.jpg")[0].id
    delete_photo(store, gone, by=ACCOUNT, why="kept long enough")
    again = kept(store, tmp_path / "backup")
    assert (again.photographs, again.copied, again.forgotten) == (3, 1, 1)
    after = {p: p.stat().st_ino for p in (tmp_path / "backup" / PHOTOGRAPHS).glob("*/*")}
    assert {p.name for p in before.keys() - after.keys()} == {gone}
    assert all(after[p] == inode for p, inode in some((p, inode) for p, inode in before.items() if p in after))
    back = restored(tmp_path / "backup", fresh(tmp_path / "new"))
    assert content(back) == content(store)
    assert verify_store(back).wrong == ""


def test_a_restoration_ends_all_sessions(store: Store, tmp_path: Path) -> None:
    with store.engine.begin() as connection:
        connection.execute(SESSIONS.insert().values(hash="0" * 64, account=ACCOUNT, made="", seen="", device=""))
    kept(store, tmp_path / "backup")
    again = restored(tmp_path / "backup", fresh(tmp_path / "new"))
    with again.viewing() as connection:
        assert connection.scalar(select(func.count()).select_from(SESSIONS)) == 0


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, {root!r})
from tests.stripread.store.backup.test_backup import photograph
from tests.stripread.store.histories import *
from stripread.store.settings import Settings
from stripread.store.store import open_store
store = open_store(Settings(database={database!r}, photographs={photographs!r}))
chart = store.find(StoredChart)[0].id
print("writing", flush=True)
for i in range(10_000):
    keep(store, reading_of(photograph(store, f"{{i}}.jpg"), {{"ph": Value(7.0, 0.1, 0.1)}}, chart=chart))
"""
BACKUP = """
import sys
sys.path.insert(0, {root!r})
from pathlib import Path
from stripread.store.backup.backup import back_up
from stripread.store.settings import Settings
from stripread.store.store import open_store
store = open_store(Settings(database={database!r}, photographs={photographs!r}))
def printed(items, label):
    for item in items:
        print(label, flush=True)
        sys.stdin.readline()
        yield item
back_up(store, Path({folder!r}), printed)
"""


def program(source: str, settings: Settings, **more: str) -> subprocess.Popen[str]:
    """A program of its own on the store, once it has said its first word."""
    said = source.format(root=str(Path(__file__).parents[4]), database=settings.database,
                         photographs=settings.photographs, **more)
    started = subprocess.Popen([sys.executable, "-c", said], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                               text=True)
    assert started.stdout
    assert started.stdout.readline()
    return started


def test_a_backup_during_writes_is_a_consistent_snapshot(store: Store, tmp_path: Path) -> None:
    """Every photograph and reading of that state is in it, none of later; thrice, each on top of the one before."""
    writer = program(WRITER, fresh(tmp_path / "in use"))
    heads: list[Checkpoint] = []
    try:
        for _ in range(3):
            time.sleep(0.2)
            heads.append(kept(store, tmp_path / "backup").manifest.head)
        assert writer.poll() is None, "it wrote all the while"
    finally:
        writer.kill()
        writer.communicate()
    assert heads[0].entries < heads[1].entries < heads[2].entries < store.head().entries
    again = restored(tmp_path / "backup", fresh(tmp_path / "new"))
    found = verify_store(again, head=heads[1])
    assert (found.wrong, found.notes, found.head) == ("", (), heads[2])
    assert verify_store(store, head=heads[2]).wrong == ""


def test_a_killed_backup_leaves_the_previous_or_the_new_one(store: Store, tmp_path: Path) -> None:
    """Kill -9, so that nothing can be tidied up: at records, at photographs, past the end."""
    folder, last = tmp_path / "backup", None
    for step in (2, 30, 33, 10_000):
        for i in range(10):
            photograph(store, f"{step} {i}.jpg")
        running = program(BACKUP, fresh(tmp_path / "in use"), folder=str(folder))
        stopped = _killed_at(running, step)
        assert _head_of(folder) == (last if stopped else store.head()), "nothing half made has taken its place"
        if stopped:
            last = kept(store, folder).manifest.head
        assert not list(folder.glob(".*.part"))
    assert content(restored(folder, fresh(tmp_path / "new"))) == content(store)


def _killed_at(running: subprocess.Popen[str], step: int) -> bool:
    """Kill it while it waits at that step; False where it is done before."""
    assert running.stdin
    assert running.stdout
    running.stdin.write("\n" * (step - 1))
    running.stdin.flush()
    lines = [line for _, line in zip(range(step - 1), running.stdout, strict=False)]
    running.kill()
    running.communicate()
    return len(lines) == step - 1


def _head_of(folder: Path) -> Checkpoint | None:
    if not (folder / RECORDS).exists():
        return None
    with open_archive(folder / RECORDS) as archive:
        return archive.manifest.head


def test_a_restoration_never_overwrites_data(store: Store, tmp_path: Path) -> None:
    kept(store, tmp_path / "backup")
    before = content(store)
    with pytest.raises(RecordsError, match="never overwrites data"):
        restore(tmp_path / "backup", fresh(tmp_path / "in use"), quiet)
    assert content(store) == before
    other = fresh(tmp_path / "new")
    open_store(other).photographs.put(*_stranger())
    with pytest.raises(RecordsError, match="photographs that are not in the backup: 1"):
        restore(tmp_path / "backup", other, quiet)


def _stranger() -> tuple[str, bytes]:
    return hashlib.sha256(b"another").hexdigest(), b"another"


def test_an_interrupted_restoration_resumes(store: Store, tmp_path: Path) -> None:
    """Photographs come first: some lie there already, the database is made but empty."""
    kept(store, tmp_path / "backup")
    half = open_store(fresh(tmp_path / "new"))
    first = store.find(Photograph)[0].id
    half.photographs.put(first, store.photographs.get(first))
    assert content(restored(tmp_path / "backup", fresh(tmp_path / "new"))) == content(store)


def changed(folder: Path, member: str, old: bytes, new: bytes) -> None:
    """One member of the archive written anew, as someone would who knows the format."""
    with ZipFile(folder / RECORDS) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    assert old in members[member]
    members[member] = members[member].replace(old, new, 1)
    with ZipFile(folder / RECORDS, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)


@pytest.mark.parametrize("change", [
    ("readings.jsonl", b'"status":"measured"', b'"status":"no-result"', "readings .*status was changed"),
    ("audit_trail.jsonl", b"kept for a test", b"kept for no test", "audit trail entry 1 was changed"),
    ("bodies.jsonl", b"Mill Lane", b"Mall Lane", "bodies .* was changed"),
    ("names.jsonl", b"Ada", b"Ida", "names second does not match the seal"),
    ("manifest.json", b'"entries": 15', b'"entries": 14', "audit trail entry 14"),
    ("manifest.json", b'"readings": 4', b'"readings": 5', "found 4 rows"),
    ("manifest.json", b'"revision": "0', b'"revision": "9', "later version")])
def test_a_changed_backup_is_not_restored(store: Store, tmp_path: Path, change: tuple[str, bytes, bytes, str]) -> None:
    member, old, new, says = change
    kept(store, tmp_path / "backup")
    changed(tmp_path / "backup", member, old, new)
    settings = fresh(tmp_path / "new")
    with pytest.raises(RecordsError, match=says):
        restore(tmp_path / "backup", settings, quiet)
    assert open_store(settings).head().entries == 0


@pytest.mark.parametrize("member", ["manifest.json", "photographs.jsonl"])
def test_a_decompression_bomb_in_a_backup_is_rejected(store: Store, tmp_path: Path, member: str) -> None:
    kept(store, tmp_path / "backup")
    changed(tmp_path / "backup", member, b"{", b" " * (2 * LONGEST + 2**17) + b"{")
    with pytest.raises(RecordsError, match=r"more than \d+ bytes in one piece"):
        restore(tmp_path / "backup", fresh(tmp_path / "new"), quiet)


def test_a_damaged_backup_is_rejected(store: Store, tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="no backup in this folder"):
        restore(tmp_path / "backup", fresh(tmp_path / "new"), quiet)
    kept(store, tmp_path / "backup")
    path = tmp_path / "backup" / RECORDS
    good = path.read_bytes()
    for bad in (good[: len(good) // 2], b"", good[:200] + bytes(40) + good[240:]):
        path.write_bytes(bad)
        with pytest.raises(RecordsError, match="cannot be read"):
            restore(tmp_path / "backup", fresh(tmp_path / "new"), quiet)
    path.write_bytes(good)
    changed(tmp_path / "backup", "photographs.jsonl", b'"removed"', b'"remover"')
    with pytest.raises(RecordsError, match="cannot be read"):
        restore(tmp_path / "backup", fresh(tmp_path / "new"), quiet)
    path.write_bytes(good)
    photo = next((tmp_path / "backup" / PHOTOGRAPHS).glob("*/*"))
    photo.write_bytes(b"damaged")
    with pytest.raises(RecordsError, match="the photograph is damaged"):
        restore(tmp_path / "backup", fresh(tmp_path / "new"), quiet)
    photo.unlink()
    with pytest.raises(RecordsError, match=r"the photograph is missing.*use another backup"):
        restore(tmp_path / "backup", fresh(tmp_path / "new"), quiet)
    assert open_store(fresh(tmp_path / "new")).head().entries == 0


def test_one_damaged_byte_is_found_before_rows_are_used(store: Store, tmp_path: Path) -> None:
    """Anywhere in the file, except where it does not matter, as in the times of members: then all rows are right."""
    kept(store, tmp_path / "backup")
    path = tmp_path / "backup" / RECORDS
    good = path.read_bytes()
    found = []
    for at in some(range(0, len(good), 101)):
        path.write_bytes(good[:at] + bytes([good[at] ^ 255]) + good[at + 1:])
        try:
            with open_archive(path) as archive:
                archive.check()
                rows = [row for table in archive.manifest.rows for row in archive.rows(table, ())]
                assert len(rows) == sum(archive.manifest.rows.values())
        except RecordsError as error:
            found.append(error.message)
    assert len(found) > len(good) / 101 / 4
    assert [message for message in found if "the backup cannot be read" not in message] == []
    path.write_bytes(good[: len(good) // 3] + bytes([good[len(good) // 3] ^ 255]) + good[len(good) // 3 + 1:])
    with pytest.raises(RecordsError, match=r"cannot be read.*use another copy"):
        restore(tmp_path / "backup", fresh(tmp_path / "new"), quiet)


def test_a_backup_is_not_replaced_by_one_of_another_or_damaged_store(store: Store, tmp_path: Path) -> None:
    kept(store, tmp_path / "backup")
    good = (tmp_path / "backup" / RECORDS).read_bytes()
    with pytest.raises(RecordsError, match="the folder has a backup of another store"):
        kept(empty_store(tmp_path / "other"), tmp_path / "backup")
    with store.engine.begin() as connection:
        connection.execute(text("DROP TRIGGER audit_trail_delete"))
        connection.execute(delete(AUDIT_TRAIL).where(AUDIT_TRAIL.c.seq > 3))
    with pytest.raises(RecordsError, match="fails verification"):
        kept(store, tmp_path / "backup")
    assert (tmp_path / "backup" / RECORDS).read_bytes() == good


def test_the_folder_of_the_store_is_rejected_for_its_backup(store: Store, tmp_path: Path) -> None:
    """The usual folder of a store has `photographs` in it, as a backup has."""
    before = content(store)
    for folder in (tmp_path / "in use", tmp_path / "in use" / PHOTOGRAPHS):
        with pytest.raises(RecordsError, match="contains the photographs of the store itself"):
            kept(store, folder)
    assert content(store) == before


def test_a_failed_backup_leaves_the_previous_one_unchanged(store: Store, tmp_path: Path) -> None:
    """A file is in the place of a photograph's folder."""
    kept(store, tmp_path / "backup")
    good = (tmp_path / "backup" / RECORDS).read_bytes()
    new = photograph(store, "d.jpg")
    (tmp_path / "backup" / PHOTOGRAPHS / new.id[:2]).write_bytes(b"")
    with pytest.raises(RecordsError, match=r"failed"):
        kept(store, tmp_path / "backup")
    assert (tmp_path / "backup" / RECORDS).read_bytes() == good
    assert not list((tmp_path / "backup").glob(".*.part"))
