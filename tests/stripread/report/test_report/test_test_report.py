"""The auditor's report of a photograph that came in like any other, held against what the standard asks for."""

from __future__ import annotations

import base64
import io
import shutil
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest
from PIL import Image

from calibration.chart import Chart
from shared.errors import InputError
from shared.estimate import Estimate
from stripread.intake.process import process_photos
from stripread.intake.receive import SampleInfo, delete_photo, receive_photo
from stripread.report.document.model import Document, DocumentTable, PhotoRow, Section
from stripread.report.test_report.report import Issuing, audit_report
from stripread.review.session import ReviewSession
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES, Account, with_fresh_salt
from stripread.store.models.evidence import IssuedReport, LabResult, StoredReading
from stripread.store.settings import Issuer, Settings
from stripread.store.store import Store, open_store
from tests.stripread.intake.phone_photos import desk, phone_photo
from tests.stripread.report.conftest import words
from tests.stripread.store.histories import ACCOUNT, NOW, keep, settings_in

SETTINGS = Settings(database="", photographs="", issuer=Issuer(name="Invented Waterworks", address="3 Example Street"))
ISSUING = Issuing(SETTINGS, ACCOUNT)
TITRATED = Estimate(analyte="hardness", value=301.0, low=291.0, high=311.0, unit="mg/L CaCO3")


@pytest.fixture(scope="module")
def made(samples: Path, sample_chart: Chart, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store: a reading of a photograph whose EXIF says where, and a laboratory's result."""
    folder = tmp_path_factory.mktemp("made")
    store = desk(folder, samples, sample_chart)
    keep(store, Account(id=ACCOUNT, roles=ROLES), Account(id="ruth", roles=("reviewer",)))
    file = phone_photo(samples / "sites" / "limestone-hill.jpg", place=True)
    shot = receive_photo(
        store, ACCOUNT, file, SampleInfo(batch=sample_chart.batch, point="tap", dipped=NOW - timedelta(minutes=3))
    )
    assert [taken.why for taken in process_photos(store, ACCOUNT, [shot])] == [""]
    keep(store, LabResult(id="lab", point="tap", taken=NOW, analyte="hardness", value=310.0, unit="mg/L CaCO3", u=4.0,
                          method="ISO 6059", laboratory="Invented Laboratory", report="W-17"))
    store.close()
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of it."""
    shutil.copytree(made, tmp_path / "store")
    opened = open_store(settings_in(tmp_path / "store"), clock=lambda: NOW)
    yield opened
    opened.close()


@pytest.fixture
def reading(store: Store) -> str:
    return store.find(StoredReading)[0].id


def section(document: Document, title: str) -> Section:
    return next(s for s in document.sections if s.title == title)


#: ISO/IEC 17025:2017, 7.8.2.1 a to p, 7.8.3.1 and 7.8.6 (the list is from memory): where in the report, and the words.
ITEMS = (
    ("b", "Issued", "Invented Waterworks"), ("b", "Issued", "3 Example Street"),
    ("c", "Issued", "sampled and photographed at Mill Lane"), ("e", "Issued", '"Customer","Mill Lane"'),
    ("f", "Method", "corrected with the reference card"), ("f", "Method", "{chart}"),
    ("g", "Item tested, and sampling", "{photograph}"), ("g", "Item tested, and sampling", "no defect"),
    ("h", "Item tested, and sampling", '"Received","2026-03-02 12:00 UTC"'),
    ("h", "Item tested, and sampling", '"Sampled","2026-03-02 11:57 UTC'),
    ("i", "Method", '"Performed","2026-03-02 12:00 UTC'), ("k", "Item tested, and sampling", "Sampling method"),
    ("l", "Statements", "relate only to the item"), ("m", "Results", '"mg/L CaCO3"'), ("m", "Results", '"mg/L Cl2"'),
    ("n", "Method", "Deviations"), ("n", "Method", "No check standard has been measured with this phone"),
    ("o", "Issued", '"Authorised by","ruth"'), ("p", "External results", "Invented Laboratory"),
    ("7.8.3.1", "Results", "95 % interval"), ("7.8.3.1", "Uncertainty", "lighting mismatch"),
    ("7.8.6", "Conformity", "probability of a false acceptance is at most 5 %"), ("7.8.6", "Conformity", '"Limits"'),
    ("7.8.6", "Conformity", "laboratory-defined limit"),
)


def test_it_answers_each_item_of_the_standard(store: Store, reading: str) -> None:
    ReviewSession(store, "ruth").accept(reading)
    document, kept = audit_report(store, ISSUING, reading), store.get(StoredReading, reading)
    given = {"chart": kept.chart, "photograph": kept.photograph}
    missing = [item for item in ITEMS if item[2].format(**given) not in words(section(document, item[1]))]
    assert missing == []
    assert "from memory" not in words(section(document, "Conformity"))
    assert document.title
    assert document.id in document.end
    assert "issued 2026-03-02 12:00 UTC" in document.about


def test_only_pixels_of_a_file_are_printed(store: Store, reading: str) -> None:
    """Where and with what it was taken stays in the store."""
    photograph = store.get(StoredReading, reading).photograph
    with Image.open(io.BytesIO(store.photographs.get(photograph))) as original:
        assert original.getexif().get_ifd(0x8825)
    (photos,) = section(audit_report(store, ISSUING, reading), "Photograph").blocks
    assert isinstance(photos, PhotoRow)
    data = base64.b64decode(photos.photos[0].uri.partition(",")[2])
    with Image.open(io.BytesIO(data)) as shown:
        assert not shown.getexif()
    assert b"Exif" not in data


def test_the_same_facts_are_the_same_report_and_others_amend_it(store: Store, reading: str) -> None:
    first = audit_report(store, ISSUING, reading)
    assert audit_report(store, ISSUING, reading) == first
    ReviewSession(store, "ruth").correct(reading, TITRATED, "Titrated on the spot.")
    with pytest.raises(RecordsError, match=r"changed: values entered manually.*--why"):
        audit_report(store, ISSUING, reading)
    amended = audit_report(store, ISSUING, reading, "A titration came in.")
    printed = words(section(amended, "Amendment"))
    assert amended.id != first.id
    assert [w for w in (first.id, "A titration came in.", "301 mg/L CaCO3 (291 to 311)") if w not in printed] == []
    changed = next(b for b in section(amended, "Amendment").blocks if isinstance(b, DocumentTable))
    assert {r[0].words for r in changed.rows} == {"Values entered manually", "Values entered manually: total hardness"}
    assert audit_report(store, ISSUING, reading) == amended
    assert [r.amends for r in sorted(store.find(IssuedReport), key=lambda r: bool(r.amends))] == [None, first.id]
    assert not verify_store(store).wrong


def test_withdrawn_acceptances_do_not_authorise_a_report(store: Store, reading: str) -> None:
    keep(store, Account(id="omar", roles=("reviewer",)))
    ruth, omar = (ReviewSession(store, who) for who in ("ruth", "omar"))
    ruth.accept(reading)
    ruth.reject(reading, "value", "Too hard for this mains.")
    omar.accept(reading, "The mains were changed.")
    assert '"Authorised by","omar"' in words(section(audit_report(store, ISSUING, reading), "Issued"))


def test_a_name_is_printed_but_not_stored(store: Store, reading: str) -> None:
    """So that it can be removed from the records for good; the report then goes on under the account's id."""
    with store.writing(ACCOUNT) as work:
        work.name(store.get(Account, "ruth"), with_fresh_salt("ruth", "Ruth Exampleworth"), "named")
    ReviewSession(store, "ruth").accept(reading)
    first = audit_report(store, ISSUING, reading)
    assert "Ruth Exampleworth (ruth)" in words(section(first, "Issued"))
    with store.writing(ACCOUNT) as work:
        work.name(store.get(Account, "ruth"), None, "name removed")
    again = audit_report(store, ISSUING, reading)
    assert again.id == first.id
    assert "Exampleworth" not in words(again) + msgspec.json.encode(store.find(IssuedReport)).decode()


def test_a_reading_in_the_place_of_another_amends_its_report(store: Store, reading: str) -> None:
    first = audit_report(store, ISSUING, reading)
    keep(store, msgspec.structs.replace(store.get(StoredReading, reading), id="again", supersedes=reading))
    second = audit_report(store, ISSUING, "again", "Read again.")
    assert first.id in words(section(second, "Amendment"))
    assert "again" in words(section(audit_report(store, ISSUING, reading), "Superseded"))


def test_rejections_and_purged_photographs_are_stated_first(store: Store, reading: str) -> None:
    ReviewSession(store, "ruth").reject(reading, "water", "Another tap.")
    delete_photo(store, store.get(StoredReading, reading).photograph, by=ACCOUNT, why="kept long enough")
    document = audit_report(store, ISSUING, reading)
    assert document.sections[0].title == "Rejected or withdrawn"
    assert "not authorised" in words(section(document, "Issued"))
    assert "cannot be shown" in words(section(document, "Photograph"))


def test_only_reviewers_issue_reports_and_only_for_a_configured_issuer(store: Store, reading: str) -> None:
    """ISO/IEC 17025, 7.8.1.1: results are reviewed and authorised before release; 7.8.2.1 b: the laboratory's name."""
    keep(store, Account(id="tom", roles=("technician", "analyst", "manager", "administrator")))
    head = store.head()
    with pytest.raises(InputError, match="only reviewers"):
        audit_report(store, Issuing(SETTINGS, "tom"), reading)
    for issuer in (Issuer(), Issuer(name="  ")):
        with pytest.raises(InputError, match="no issuer"):
            audit_report(store, Issuing(Settings(database="", photographs="", issuer=issuer), "ruth"), reading)
    assert store.head() == head
    audit_report(store, Issuing(SETTINGS, "ruth"), reading)
