"""Verification from a checkpoint: the same verdict on what came after it, without reading what came before."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Table, column, func, select, text, update

from stripread.store import audit_trail
from stripread.store.audit_trail import AuditedAction, AuditSubject, Checkpoint
from stripread.store.database import writer
from stripread.store.integrity import NO_ENTRIES, verify_store
from stripread.store.models.evidence import Review
from stripread.store.models.sites import Site
from stripread.store.schema import AUDIT_TRAIL, BODIES, RECORD_TYPES
from stripread.store.store import Store, open_store
from stripread.store.verification import verify_since
from tests.stripread.store.histories import ACCOUNT, NOW, keep, settings_in

SITES, REVIEWS = RECORD_TYPES[Site].table, RECORD_TYPES[Review].table


@pytest.fixture
def store(world_file: Path, tmp_path: Path) -> Iterator[Store]:
    """One record of every kind; then, after the checkpoint of `head`, a new site and a changed one."""
    shutil.copy(world_file, tmp_path / "records.sqlite")
    shutil.copytree(world_file.parent / "photographs", tmp_path / "photographs")
    opened = open_store(settings_in(tmp_path), clock=lambda: NOW)
    yield opened
    opened.close()


@pytest.fixture
def head(store: Store) -> Checkpoint:
    found = store.head()
    keep(store, Site(id="new", name="New Site"))
    return found


@pytest.fixture
def without_triggers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look only at rows: somebody who owns the database has put the triggers back."""
    monkeypatch.setattr("stripread.store.verification.check_triggers", lambda *_: None)


def spoil(store: Store, table: Table, **values: object) -> None:
    """Change the latest row of a table by other means than this program's."""
    with writer(store.engine).begin() as connection:
        for name in connection.scalars(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).all():
            connection.execute(text(f"DROP TRIGGER {name}"))
        last = select(func.max(column("rowid"))).select_from(table).scalar_subquery()
        connection.execute(update(table).where(column("rowid") == last).values(**values))


def test_from_the_beginning_it_finds_what_a_full_verification_counts(store: Store, head: Checkpoint) -> None:
    whole, since = verify_store(store), verify_since(store, NO_ENTRIES)
    assert (since.wrong, since.head, since.records) == ("", whole.head, whole.records)
    assert verify_since(store, head).records == 1
    assert verify_since(store, store.head()).records == 0


@pytest.mark.parametrize(("table", "values", "words"), [
    (SITES, {"name": "Other"}, "was changed: 'Other', but the record contains 'New Site'"),
    (BODIES, {"body": '{"id":"new","name":"Other"}'}, "was changed"),
    (AUDIT_TRAIL, {"hash": "0" * 64}, "was changed, or does not follow from the previous entry")])
@pytest.mark.usefixtures("without_triggers")
def test_changes_after_the_checkpoint_are_detected(store: Store, head: Checkpoint, table: Table,
                                                   values: dict[str, object], words: str) -> None:
    spoil(store, table, **values)
    assert words in verify_since(store, head).wrong


def test_missing_triggers_and_a_wrong_checkpoint_are_detected(store: Store, head: Checkpoint) -> None:
    other = Checkpoint(entries=head.entries, hash="0" * 64)
    assert "does not match the checkpoint" in verify_since(store, other).wrong
    assert "the audit trail was truncated" in verify_since(store, Checkpoint(entries=10**6, hash=head.hash)).wrong
    spoil(store, SITES, name="Other")
    assert "is not protected against changes" in verify_since(store, head).wrong


def test_a_new_photograph_is_read(store: Store) -> None:
    """Photographs before the checkpoint are not."""
    head = store.head()
    for photograph in Path(store.photographs.place).glob("??/*"):
        photograph.write_bytes(b"other bytes")
    assert verify_since(store, head).wrong == ""
    assert "the photograph is damaged" in verify_since(store, NO_ENTRIES).wrong
    assert "the photograph is damaged" in verify_store(store).wrong


def test_an_immutable_record_is_not_stored_again(store: Store) -> None:
    """Not even with an entry that continues the chain."""
    head, review = store.head(), store.find(Review)[0]
    with store.writing(ACCOUNT) as work:
        body = str(work.connection.scalar(select(REVIEWS.c.sha256).where(REVIEWS.c.id == review.id)))
        audit_trail.append(work.connection, AuditedAction(account=ACCOUNT, when=NOW, what="reviewed"),
                           AuditSubject(kind="reviews", record=review.id, body=body))
        work.note("reviewed", "again")
    assert "is immutable, but was changed" in verify_since(store, head).wrong
    assert "changes an immutable record" in verify_store(store).wrong
