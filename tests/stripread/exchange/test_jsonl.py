"""Export and import of whole records on each database; damaged and hostile files leave no trace."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stripread.exchange.import_records import ImportResult, import_all
from stripread.exchange.jsonl import Originals, copy_photographs, import_photographs, lines, records_in
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph
from stripread.store.models.sites import Site
from stripread.store.photos import Folder
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.stripread.store.histories import ACCOUNT, NOW, keep
from tests.stripread.store.world import NAME, PHOTOGRAPH, PICTURE, World


@pytest.fixture
def elsewhere(tmp_path: Path) -> Iterator[Store]:
    store = open_store(Settings(database=f"sqlite:///{tmp_path / 'elsewhere.sqlite'}",
                                photographs=str(tmp_path / "elsewhere")), clock=lambda: NOW)
    keep(store, Account(id="keeper", roles=("administrator",)), by="keeper")
    yield store
    store.close()


@pytest.fixture
def other_kind(world_url: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty store on the kind of database that the world is not on."""
    url = f"sqlite:///{tmp_path / 'other.sqlite'}"
    if world_url.startswith("sqlite"):
        url = request.getfixturevalue("postgresql_url")
    store = open_store(Settings(database=url, photographs=str(tmp_path / "other")), clock=lambda: NOW)
    keep(store, Account(id="keeper", roles=("administrator",)), by="keeper")
    yield store
    store.close()


def exported(store: Store, path: Path, readings: list[str] | None = None) -> bytes:
    path.write_bytes(b"".join(line + b"\n" for line in lines(store, readings)))
    return path.read_bytes()


def imported(store: Store, path: Path, folder: Path | None, *, dry_run: bool = False) -> ImportResult:
    found = list(records_in(path))
    import_photographs(store, found, Originals(folder), dry_run=dry_run)
    return import_all(store, found, by="keeper", why=path.name, dry_run=dry_run)


def test_an_exported_store_is_imported_and_exported_identically(
    world: World, other_kind: Store, tmp_path: Path
) -> None:
    elsewhere = other_kind
    first = exported(world.store, tmp_path / "a.jsonl")
    assert copy_photographs(world.store, Folder(tmp_path / "along")) == 1
    before = elsewhere.head()
    planned = imported(elsewhere, tmp_path / "a.jsonl", tmp_path / "along", dry_run=True)
    assert elsewhere.head() == before
    result = imported(elsewhere, tmp_path / "a.jsonl", tmp_path / "along")
    assert result == planned
    assert sum(result.new.values()) == len(world.records) == first.count(b"\n") - 1
    assert verify_store(elsewhere, before).wrong == ""
    assert elsewhere.photographs.get(PHOTOGRAPH.id) == PICTURE
    assert exported(elsewhere, tmp_path / "b.jsonl") == first
    after = elsewhere.head()
    again = imported(elsewhere, tmp_path / "a.jsonl", None)
    assert elsewhere.head() == after
    assert again == ImportResult(new={}, changed={}, same=result.new)


def test_an_export_contains_no_names_and_grants_no_roles(world: World, elsewhere: Store, tmp_path: Path) -> None:
    assert NAME.encode() not in exported(world.store, tmp_path / "a.jsonl")
    copy_photographs(world.store, Folder(tmp_path / "along"))
    imported(elsewhere, tmp_path / "a.jsonl", tmp_path / "along")
    assert elsewhere.get(Account, ACCOUNT) == Account(id=ACCOUNT, roles=(), active=False)


def test_an_exported_reading_includes_its_dependencies(world: World, elsewhere: Store, tmp_path: Path) -> None:
    exported(world.store, tmp_path / "a.jsonl", ["again"])
    copy_photographs(world.store, Folder(tmp_path / "along"), ["again"])
    imported(elsewhere, tmp_path / "a.jsonl", tmp_path / "along")
    assert verify_store(elsewhere).wrong == ""
    kinds = {type(one.record).__name__ for one in records_in(tmp_path / "a.jsonl")}
    assert {"StoredReading", "StoredAssessment", "Review", "Correction", "StoredChart", "Machine", "Site"} <= kinds
    assert {"LabResult", "Service", "PrintRun"}.isdisjoint(kinds)


def test_an_import_restores_no_purged_photograph_and_changes_no_roles(
    world: World, elsewhere: Store, tmp_path: Path
) -> None:
    exported(world.store, tmp_path / "a.jsonl")
    removed = msgspec.structs.replace(world.store.get(Photograph, PHOTOGRAPH.id), removed=NOW)
    own = Account(id=ACCOUNT, roles=("analyst",))
    keep(elsewhere, own, by="keeper")
    keep(elsewhere, *(one.record for one in records_in(tmp_path / "a.jsonl")
                      if not isinstance(one.record, Account | Photograph) and type(one.record).__name__ in (
                          "SiteGroup", "Site", "SamplingPoint", "Unit", "Card", "Phone")), removed, by="keeper")
    imported(elsewhere, tmp_path / "a.jsonl", None)
    assert elsewhere.get(Photograph, PHOTOGRAPH.id) == removed
    assert elsewhere.get(Account, ACCOUNT) == own


def test_a_missing_photograph_is_named(world: World, elsewhere: Store, tmp_path: Path) -> None:
    exported(world.store, tmp_path / "a.jsonl")
    (tmp_path / "along").mkdir()
    (tmp_path / "along" / PHOTOGRAPH.id).write_bytes(b"something else")
    before = elsewhere.head()
    for folder, problem in ((None, "is missing"), (tmp_path / "along", "not those that were received")):
        with pytest.raises(RecordsError, match=problem):
            imported(elsewhere, tmp_path / "a.jsonl", folder)
    assert elsewhere.head() == before
    assert not list(elsewhere.photographs.names())


HOSTILE = (
    b"", b"\x00", b"{}", b"[" * 100_000, b'{"kind":"sites"}', b'{"kind":"no-such","record":{}}',
    b'{"kind":"sites","record":{"id":"x","name":"\\u0000"}}',
    b'{"kind":"sites","record":{"id":"x\\u0000","name":"y"}}', b'{"kind":"sites","record":{"id":"","name":"x"}}',
    b'{"kind":"sites","record":{"id":"x","name":"y","group":"nowhere"}}',
    b'{"kind":"accounts","record":{"id":"mallory","roles":["administrator"],"active":true}}',
    b'{"kind":"sites","record":{"id":"x","name":"' + b"n" * 10_000 + b'"}}',
    b'{"kind":"sites","record":{"id":"x","name":"\xff"}}', b'{"kind":"sites","record":{"id":"x","name":"\\ud800"}}',
)


@pytest.mark.parametrize("line", HOSTILE, ids=lambda line: repr(line[:30]))
def test_a_hostile_line_is_rejected_with_its_number_and_nothing_is_imported(elsewhere: Store, tmp_path: Path,
                                                                   line: bytes) -> None:
    path = tmp_path / "hostile.jsonl"
    good = msgspec.json.encode({"kind": "sites", "record": Site(id="good", name="good")})
    path.write_bytes(b'{"format":"records/1"}\n' + good + b"\n" + line + b"\n")
    before = elsewhere.head()
    with pytest.raises(RecordsError, match=r"hostile\.jsonl:3"):
        imported(elsewhere, path, None)
    assert elsewhere.head() == before


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_damaged_file_never_corrupts_the_store(elsewhere: Store, tmp_path: Path,
                                                           data: st.DataObject) -> None:
    path = tmp_path / "damaged.jsonl"
    sites = b"\n".join(msgspec.json.encode({"kind": "sites", "record": Site(id=f"s{k}", name=f"site {k}", note="n")})
                       for k in range(4))
    whole = bytearray(b'{"format":"records/1"}\n' + sites + b"\n")
    for _ in range(data.draw(st.integers(1, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(whole[: data.draw(st.integers(0, len(whole)))]))
    before = elsewhere.head()
    try:
        imported(elsewhere, path, None)
    except RecordsError:
        assert elsewhere.head() == before
    assert verify_store(elsewhere, before).wrong == ""
