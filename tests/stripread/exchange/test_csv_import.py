"""Import of CSV tables: the sample tables, and errors, each of which names its cell and imports nothing."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared.errors import InputError
from stripread.exchange.csv_import import records_of
from stripread.exchange.import_records import ImportResult, import_all
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import LabResult
from stripread.store.models.sites import LimitAssignment, Machine, SamplingPoint, Site
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, keep, new_store

#: After all dates in the sample tables.
LATER = datetime(2026, 4, 1, 12, tzinfo=UTC)


@pytest.fixture
def sample_tables(samples: Path) -> list[Path]:
    """The sample tables in reverse order: the order of files must not matter."""
    return sorted((samples / "company").glob("*.csv"), reverse=True)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = new_store(tmp_path, lambda: LATER)
    keep(store, Account(id=ACCOUNT, roles=("manager",)))
    yield store
    store.close()


def imported(store: Store, *files: Path, dry_run: bool = False) -> ImportResult:
    return import_all(store, records_of(files, store.clock()), by=ACCOUNT, why="test", dry_run=dry_run)


def test_importing_the_tables_again_changes_nothing(store: Store, sample_tables: list[Path], samples: Path) -> None:
    planned = imported(store, *sample_tables, dry_run=True)
    assert store.find(Site) == []
    result = imported(store, *sample_tables)
    assert result == planned
    assert result.new["sites"] == len((samples / "company" / "sites.csv").read_text().splitlines()) - 1
    assert imported(store, *sample_tables) == ImportResult(new={}, changed={}, same=result.new)
    assert store.get(Machine, "tower-lobby/tea").equipment.name == "hot-water-boiler"
    behind = store.get(SamplingPoint, "limestone-hill/behind")
    assert (behind.machine, behind.unit, behind.every_days) == ("limestone-hill/left", "limestone-hill/filter", 30)
    assert verify_store(store).wrong == ""


def test_laboratory_units_are_converted(store: Store, sample_tables: list[Path]) -> None:
    """1 °dH = 17.848 mg/L CaCO3 (10 mg CaO/L); alkalinity 1 mmol/L of acid = 50.04 mg/L CaCO3."""
    imported(store, *sample_tables)
    found = {one.analyte: one for one in store.find(LabResult, point="limestone-hill/tap")}
    assert found["hardness"].value == pytest.approx(16.9 * 17.848, rel=1e-4)
    assert found["hardness"].u == pytest.approx(0.3 * 17.848, rel=1e-4)
    assert found["alkalinity"].value == pytest.approx(5.12 * 50.04, rel=1e-3)
    assert (found["chlorine"].status, found["chlorine"].value, found["chlorine"].u) == ("below", 0.05, None)
    assert found["ph"].taken.isoformat() == "2026-03-04T09:20:00+01:00"


def test_headers_of_analytes_may_have_capitals(store: Store, sample_tables: list[Path], tmp_path: Path) -> None:
    (table := tmp_path / "capitals.csv").write_text(
        "taken,sampling point,pH,u(pH),Hardness [°dH]\n2026-03-05,limestone-hill/tap,7.6,0.1,10\n", encoding="utf-8")
    imported(store, *sample_tables, table)
    found = {one.analyte: one for one in store.find(LabResult, point="limestone-hill/tap") if not one.report}
    assert (found["ph"].value, found["ph"].u) == (7.6, 0.1)
    assert found["hardness"].value == pytest.approx(178.48, rel=1e-4)


@pytest.mark.parametrize("taken", ["2026-04-02", "2026-04-01T14:04+02:00"])
def test_a_day_that_has_begun_in_the_first_time_zone_is_accepted(
        store: Store, sample_tables: list[Path], tmp_path: Path, taken: str) -> None:
    """It is noon of 1 April in UTC: 2 April at 14 hours east of it."""
    imported(store, *sample_tables)
    (tmp_path / "t.csv").write_text(LAB + f"{taken},limestone-hill/tap,3\n", encoding="utf-8")
    assert imported(store, tmp_path / "t.csv").new == {"lab_results": 1}


def test_only_the_changed_row_is_reported_as_changed(store: Store, sample_tables: list[Path], tmp_path: Path) -> None:
    imported(store, *sample_tables)
    changed = tmp_path / "sites.csv"
    changed.write_text("site,name,group,closed\nsalt-quay,Salt Quay,waterside,2026-05-01\n")
    assert imported(store, changed) == ImportResult(new={}, changed={"sites": 1}, same={})
    assert str(store.get(Site, "salt-quay").closed) == "2026-05-01"


SITE = "site,name,group\n"
LAB = "taken,sampling point,hardness [°dH]\n"
MISTAKES = (
    ("", "empty"),
    ("\n\n", "empty"),
    ("place,name\na,b\n", "first column"),
    ("site,title\na,b\n", "t.csv:1.*missing"),
    ("site,name,colour\na,b,c\n", "t.csv:1.*unknown column.*'colour'"),
    ("site,name,name\na,b,c\n", "t.csv:1.*twice"),
    (SITE + "a,b\n", "t.csv:2.*2 cells.*3"),
    (SITE + "a,,\n", "t.csv:2, column name.*empty"),
    (SITE + "a,x,\na,y,\n", "t.csv:3, column site.*twice.*line 2"),
    (SITE + "a,x,nowhere\n", "t.csv:2.*group.*nowhere"),
    (SITE + "a,x\x07y,\n", "t.csv:2.*one line of text, without control characters"),
    (SITE + "a\0,x,\n", "t.csv"),
    (SITE + "a" * 200 + ",x,\n", "t.csv:2"),
    (SITE + "a," + "x" * 200_000 + ",\n", "t.csv"),
    ("site,name,closed\na,b,tomorrow\n", "t.csv:2, column closed.*'tomorrow'.*2031-05-02"),
    ("sampling point,site,place,name\np,s,cellar,n\n", "t.csv:2, column place.*'cellar'.*mains"),
    ("sampling point,site,place,name,every [days]\np,s,mains,n,-3\n", "t.csv:2, column every"),
    ("sampling point,site,place,name,treatment unit\np,s,mains,n,u\n",
     "t.csv:2, column treatment unit: names a unit for a point of the mains, which is upstream of every unit"),
    ("sampling point,site,place,name,every [days]\np,s,mains,n,99999\n", "t.csv:2.*3650"),
    ("machine,site,profile\nm,s,no-such\n", "t.csv:2, column profile.*no such machine"),
    ("machine,site,profile\nm,s,../../../etc/passwd\n", "t.csv:2, column profile"),
    ("treatment unit,site,catalogue\nu,s,no-such\n", "t.csv:2, column catalogue.*weak-acid-exchange"),
    ("card,print run\nc,seven\n", "t.csv:2, column print run.*'seven'"),
    ("taken,sampling point,hardness\n2026-01-01,p,3\n", "t.csv:1, column hardness.*°dH"),
    ("taken,sampling point,hardness [°dH],hardness [mmol/L]\n2026-01-01,p,3,4\n", "t.csv:1.*hardness"),
    ("taken,sampling point,hardness [°dH],u(hardness) [mmol/L]\n2026-01-01,p,3,4\n", "t.csv:1.*same unit"),
    ("taken,sampling point,u(hardness) [°dH]\n2026-01-01,p,3\n", "t.csv:1.*hardness"),
    (LAB + "2026-04-03,p,3\n", "t.csv:2, column taken: is in the future; found '2026-04-03'; allowed: 2026-04-01"),
    (LAB + "2026-04-01T14:06+02:00,p,3\n", "t.csv:2, column taken: is in the future"),
    (LAB + "2126-01-01,p,3\n", "t.csv:2, column taken: is in the future"),
    ("taken,sampling point,hardness [°dH]\n2026-01-01T10:00,p,3\n", "t.csv:2, column taken.*zone"),
    ("taken,sampling point,hardness [°dH]\n2026-01-01,p,hard\n", "t.csv:2, column hardness.*'hard'"),
    ("taken,sampling point,hardness [°dH]\n2026-01-01,p,9999\n", "t.csv:2, column hardness.*'9999'"),
    ("taken,sampling point,hardness [°dH],u(hardness) [°dH]\n2026-01-01,p,3,-1\n", "t.csv:2, column u"),
    ("taken,sampling point,hardness [°dH]\n2026-01-01,p,3\n2026-01-01,p,4\n", "t.csv:3.*twice"),
)


@pytest.mark.parametrize(("text", "message"), MISTAKES, ids=[message for _, message in MISTAKES])
def test_an_error_names_the_cell_and_nothing_is_imported(store: Store, tmp_path: Path, text: str,
                                                            message: str) -> None:
    good, bad = tmp_path / "groups.csv", tmp_path / "t.csv"
    good.write_text("group,name\nhills,Hills\n")
    bad.write_text(text)
    before = store.head()
    with pytest.raises(InputError, match=message):
        imported(store, good, bad)
    assert store.head() == before


@pytest.mark.parametrize(("text", "message"), [
    ("sampling point,site,place,name,treatment unit\np,salt-quay,after treatment,n,limestone-hill/filter\n",
     "t.csv:2.*treatment unit limestone-hill/filter: is at another site; found limestone-hill; allowed: salt-quay"),
    ("treatment unit,site,catalogue,machine\nu,salt-quay,carbon-filter,limestone-hill/left\n",
     "t.csv:2.*machine limestone-hill/left: is at another site")])
def test_equipment_of_another_site_is_rejected(store: Store, sample_tables: list[Path], tmp_path: Path, text: str,
                                               message: str) -> None:
    imported(store, *sample_tables)
    (tmp_path / "t.csv").write_text(text)
    with pytest.raises(RecordsError, match=message):
        imported(store, tmp_path / "t.csv")


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_damaged_table_never_corrupts_the_store(store: Store, sample_tables: list[Path], tmp_path: Path,
                                                            data: st.DataObject) -> None:
    file = data.draw(st.sampled_from(sample_tables))
    damaged = bytearray(file.read_bytes())
    for _ in range(data.draw(st.integers(1, 5))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    copy = Path(shutil.copy(file, tmp_path / "damaged.csv"))
    copy.write_bytes(bytes(damaged[: data.draw(st.integers(0, len(damaged)))]))
    before = store.head()
    try:
        imported(store, copy)
    except (InputError, RecordsError):
        assert store.head() == before
    assert verify_store(store, before).wrong == ""


@pytest.mark.parametrize(("text", "stays"), [
    ("site,name\nsalt-quay,Salt Quay\n", ["group", "address"]),
    ("site,name,address\nsalt-quay,Salt Quay,\n", ["group"]),
    ("site,name,group\nsalt-quay,Salt Quay,\n", ["address"])])
def test_an_empty_cell_clears_a_field_and_a_missing_column_does_not(
        store: Store, sample_tables: list[Path], tmp_path: Path, text: str, stays: list[str]) -> None:
    imported(store, *sample_tables)
    keep(store, msgspec.structs.replace(store.get(Site, "salt-quay"), address="1 Invented Road"))
    table = tmp_path / "sites.csv"
    table.write_text(text)
    imported(store, table)
    site = store.get(Site, "salt-quay")
    assert [name for name in ("group", "address") if getattr(site, name)] == stays


def test_a_table_leaves_the_limits_of_a_point(store: Store, sample_tables: list[Path]) -> None:
    imported(store, *sample_tables)
    own = msgspec.structs.replace(store.find(SamplingPoint)[0], limits=(LimitAssignment(
        since=store.clock().date(), limits="cup-target"),))
    keep(store, own)
    imported(store, *sample_tables)
    assert store.get(SamplingPoint, own.id).limits == own.limits


def test_tables_without_an_optional_column_change_nothing(
    store: Store, sample_tables: list[Path], tmp_path: Path
) -> None:
    imported(store, *sample_tables)
    needed = {"name", "site", "profile", "catalogue", "place", "strip", "batch", "print run", "model"}
    left_out = 0
    for file in sample_tables:
        rows = list(csv.reader(file.read_text().splitlines()))
        for place, column in enumerate(rows[0]):
            if place and rows[0][0] != "taken" and column not in needed:
                table = tmp_path / file.name
                table.write_text("\n".join(",".join(row[:place] + row[place + 1:]) for row in rows))
                assert imported(store, table).changed == {}
                left_out += 1
    assert left_out >= 10
