"""Photographs received, evaluated, assessed and stored: once, whatever interrupts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest
from PIL import Image

from assess.equipment import load_equipment
from calibration.chart import Chart
from calibration.release import Release
from shared.errors import InputError, PhotoError
from stripread.api import assess, read_photo
from stripread.intake import receive
from stripread.intake.materials_import import add_release, register_batch, register_chart, register_tube
from stripread.intake.process import IntakeOptions, process_photos
from stripread.intake.receive import SampleInfo, receive_photo
from stripread.reading.executors import executor_for
from stripread.reading.photo_file import PhotoFile
from stripread.review.reanalysis.run import ReanalysisOptions, reevaluate
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.materials import Batch, Phone, Tube
from stripread.store.models.sites import Machine
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.reading_status import last_reading
from stripread.store.store import Store
from stripread.store.transaction import Transaction
from tests.stripread.intake.phone_photos import CAMERA, PLACE, desk, phone_photo
from tests.stripread.store.histories import ACCOUNT, NOW, keep

BATCH = "samples"
UNJUDGED = IntakeOptions(judge=False)
SAID = SampleInfo(batch=BATCH, point="tap")


@pytest.fixture
def store(sample_store: Store) -> Store:
    return sample_store


@pytest.fixture(scope="session")
def hill(samples: Path) -> PhotoFile:
    return phone_photo(samples / "sites" / "limestone-hill.jpg", taken="2026:03:01 09:00:45", place=True)


def test_stored_readings_equal_those_from_files(tmp_path: Path, store: Store, samples: Path, sample_chart: Chart,
                                               hill: PhotoFile) -> None:
    """The same photograph read from files by the library's own calls."""
    path = tmp_path / "limestone-hill.jpg"
    path.write_bytes(hill.data)
    direct = read_photo(path, sample_chart, samples / "card-run-007.txt")
    (taken,) = process_photos(store, ACCOUNT, [receive_photo(store, ACCOUNT, hill, SAID)])
    assert taken.new
    assert taken.reading
    assert taken.assessment
    assert taken.reading.reading == msgspec.structs.replace(direct, flags=(*direct.flags, "phone-new"))
    assert "chart-draft" in direct.flags
    assert taken.assessment.assessment == assess(taken.reading.reading)
    assert store.get(StoredReading, taken.reading.id) == taken.reading
    assert store.get(StoredAssessment, taken.assessment.id) == taken.assessment
    assert verify_store(store).wrong == ""


@pytest.mark.parametrize(("taken", "dipped", "flag"), [
    ("2026:03:01 09:00:45", None, None), ("2026:03:01 09:00:45", "2026-03-01T09:00:00", None),
    ("0000:00:00 00:00:00", None, "time-unknown"), ("1970:01:01 00:00:00", None, "time-unknown"),
    ("2026:03:05 09:00:45", None, "time-future"), ("2026:03:05 09:00:45", "2026-03-05T09:00:00", "time-future"),
    ("0000:00:00 00:00:00", "2026-03-05T09:00:00", "time-future")])
def test_a_missing_or_impossible_time_is_flagged_and_replaced(
        store: Store, samples: Path, taken: str, dipped: str | None, flag: str | None) -> None:
    """Received on 2 March 2026. The camera's time stays in the record and in the reading as the camera wrote it."""
    photo = phone_photo(samples / "sites" / "limestone-hill.jpg", taken=taken)
    at = None if dipped is None else datetime.fromisoformat(dipped).astimezone()
    received = receive_photo(store, ACCOUNT, photo, msgspec.structs.replace(SAID, dipped=at))
    (reading,) = (one.reading for one in process_photos(store, ACCOUNT, [received]))
    assert reading is not None
    assert set(reading.reading.flags) & {"time-unknown", "time-future"} == ({flag} if flag else set())
    kept = store.get(Photograph, reading.photograph)
    written = None if taken.startswith("0000") else taken[:10].replace(":", "-") + "T" + taken[11:]
    assert kept.taken == reading.reading.provenance.taken == written
    assert (kept.sampled == kept.received) == (flag is not None)
    (listed,) = readings(store, ReadingFilter())
    assert datetime.fromisoformat(listed.sampled) == kept.sampled
    assert verify_store(store).wrong == ""


def test_the_location_remains_in_the_original_only(store: Store, hill: PhotoFile) -> None:
    kept = receive_photo(store, ACCOUNT, hill, SAID)
    assert (kept.taken, kept.phone, kept.point, kept.batch) == ("2026-03-01T09:00:45", CAMERA, "tap", BATCH)
    assert store.get(Phone, CAMERA).model == CAMERA
    (path,) = (p for p in store.photographs.root.rglob(kept.id))  # type: ignore[attr-defined]
    with Image.open(path) as picture:
        assert picture.getexif().get_ifd(0x8825)[2] == PLACE[2]
    list(process_photos(store, ACCOUNT, [kept], UNJUDGED))
    for kind in (Photograph, StoredReading):
        body = msgspec.json.encode(store.find(kind)).lower()
        assert b"gps" not in body
        assert b"12.0,34.0" not in body
        assert b"2026-03-01t09:00:45" in body


def test_intake_is_idempotent_and_resumes(
        store: Store, hill: PhotoFile, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = receive_photo(store, ACCOUNT, hill, SAID)
    put = Transaction.put

    def fails(work: Transaction, record: msgspec.Struct, what: str, why: str = "") -> bool:
        if isinstance(record, StoredAssessment):
            raise OSError("the lights go out")
        return put(work, record, what, why)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(Transaction, "put", fails)
        with pytest.raises(OSError, match="lights"):
            list(process_photos(store, ACCOUNT, [kept]))
    assert store.find(StoredReading) == [], "a reading is never kept without its assessment"
    assert receive_photo(store, ACCOUNT, hill, SAID) == kept
    (first,) = process_photos(store, ACCOUNT, [kept])
    head = store.head()
    assert receive_photo(store, ACCOUNT, hill, SampleInfo(batch=BATCH)) == kept, "what is not said again stays"
    (second,) = process_photos(store, ACCOUNT, [kept])
    assert (second.reading, second.assessment, second.new) == (first.reading, first.assessment, False)
    assert store.head() == head
    assert last_reading(store, kept.id) == first.reading


def test_the_first_of_two_concurrent_readings_is_stored(store: Store, hill: PhotoFile) -> None:
    kept = receive_photo(store, ACCOUNT, hill, SAID)
    first, second = process_photos(store, ACCOUNT, [kept, kept], UNJUDGED)
    assert first.new
    assert not second.new
    assert second.reading == first.reading
    assert len(store.find(StoredReading)) == 1


def test_concurrent_processes_read_each_photograph_once(
        tmp_path: Path, store: Store, samples: Path, sample_chart: Chart) -> None:
    """Three programs, each with its own connection, take in the same photographs at the same time."""
    files = [phone_photo(samples / "faults" / f"{name}.jpg") for name in ("no-strip", "overexposed", "finger-on-pad")]
    stores = [store, *(desk(tmp_path, samples, sample_chart) for _ in range(2))]

    def take(mine: Store) -> list[str]:
        kept = [receive_photo(mine, ACCOUNT, file, SAID) for file in files]
        return [taken.reading.id for taken in process_photos(mine, ACCOUNT, kept, UNJUDGED) if taken.reading]

    with ThreadPoolExecutor(3) as pool:
        first, *others = pool.map(take, stores)
    assert others == [first, first]
    assert len(store.find(StoredReading)) == len(store.find(Photograph)) == len(first) == 3
    assert verify_store(store).wrong == ""


def test_a_reading_without_a_result_is_stored_too(store: Store, samples: Path) -> None:
    photo = phone_photo(samples / "faults" / "no-strip.jpg")
    (taken,) = process_photos(store, ACCOUNT, [receive_photo(store, ACCOUNT, photo, SAID)])
    assert taken.reading
    assert taken.reading.status == "no-result"
    assert "no-strip" in taken.reading.flags
    assert (taken.assessment, taken.why) == (None, taken.reading.reading.reason)


def test_a_sample_is_assessed_for_the_named_machine_or_that_of_the_point(store: Store, hill: PhotoFile) -> None:
    steam = load_equipment("two-boiler-espresso")
    mine = msgspec.structs.replace(steam, name="The machine by the window")
    keep(store, Machine(id="m-1", site="mill", equipment=mine))
    (taken,) = process_photos(store, ACCOUNT, [receive_photo(store, ACCOUNT, hill, SAID)])
    assert taken.assessment
    assert taken.assessment.machine == "m-1", "the only one at its site"
    assert taken.assessment.assessment.equipment.name == mine.name


def test_one_of_two_machines_is_never_guessed(store: Store, hill: PhotoFile) -> None:
    for name in ("m-1", "m-2"):
        keep(store, Machine(id=name, site="mill", equipment=load_equipment("two-boiler-espresso")))
    kept = receive_photo(store, ACCOUNT, hill, SAID)
    (taken,) = process_photos(store, ACCOUNT, [kept], IntakeOptions(equipment="m-2"))
    assert taken.assessment
    assert taken.assessment.machine == "m-2"


def test_the_state_of_chart_strips_phone_and_time_is_flagged(
        store: Store, hill: PhotoFile, sample_chart: Chart) -> None:
    register_batch(store, ACCOUNT, Batch(id=BATCH, strip=sample_chart.strip.name, keeps_days=10))
    register_tube(store, ACCOUNT, Tube(id="old", batch=BATCH, opened=date(2026, 2, 1)))
    add_release(store, ACCOUNT, Release(chart=sample_chart.id, state="withdrawn", by=ACCOUNT, when=NOW, why="a drift"))
    said = msgspec.structs.replace(SAID, tube="old", dipped=datetime.fromisoformat("2026-03-01T09:00:00"))
    (taken,) = process_photos(store, ACCOUNT, [receive_photo(store, ACCOUNT, hill, said)], UNJUDGED)
    assert taken.reading
    assert {"chart-withdrawn", "batch-expired", "phone-new"} <= set(taken.reading.flags.split())
    assert taken.reading.reading.provenance.after_dip_s == 45.0


@dataclass(frozen=True)
class _Meanwhile:
    """An executor during whose work something happens to the store."""

    happens: Callable[[], object]

    def map(self, work: Callable[[Any, Any], Any], given: object, jobs: Iterable[Any], /) -> Iterator[Any]:
        for job in jobs:
            result = work(given, job)
            self.happens()
            yield result


def test_a_chart_withdrawn_and_superseded_during_the_evaluation(
        store: Store, hill: PhotoFile, sample_chart: Chart) -> None:
    """The reading is stored on the chart that it was made with, flagged, and can be evaluated on the later one."""
    later = msgspec.structs.replace(sample_chart, conditions=msgspec.structs.replace(
        sample_chart.conditions, made="2100-01-01T00:00:00Z"))

    def happens() -> None:
        register_chart(store, ACCOUNT, later)
        add_release(store, ACCOUNT, Release(chart=sample_chart.id, state="withdrawn", by=ACCOUNT, when=NOW, why="old"))

    received = receive_photo(store, ACCOUNT, hill, SAID)
    how = IntakeOptions(judge=False, executor=_Meanwhile(happens))
    (taken,) = process_photos(store, ACCOUNT, [received], how)
    assert taken.reading
    assert taken.reading.chart == sample_chart.id
    assert "chart-withdrawn" in taken.reading.flags
    (found,) = reevaluate(store, [taken.reading.id], ReanalysisOptions(by=ACCOUNT, why="a new chart"))
    assert store.get(StoredReading, found.new or "").chart == later.id


@pytest.mark.parametrize(("said", "says"), [
    (SampleInfo(), "the strip batch is unknown"),
    (SampleInfo(batch="X"), "no such strip batch; found X; allowed: samples"),
    (SampleInfo(batch=BATCH, point="X"), "no such sampling point; found X; allowed: behind, tap"),
    (SampleInfo(batch=BATCH, tube="X"), "no such tube; found X; allowed: none yet"),
    (SampleInfo(batch=BATCH, dipped=datetime.fromisoformat("2026-03-03T09:00:00")), "the dip does not belong")])
def test_contradictory_information_is_rejected_before_storage(store: Store, hill: PhotoFile, said: SampleInfo,
                                                           says: str) -> None:
    with pytest.raises(InputError) as printed:
        receive_photo(store, ACCOUNT, hill, said)
    assert says in str(printed.value)
    assert store.find(Photograph) == []
    assert list(store.photographs.names()) == []


def test_a_file_that_is_not_a_photograph_is_not_stored(store: Store, hill: PhotoFile) -> None:
    for data in (b"", b"<svg/>", hill.data[:2000]):
        with pytest.raises(PhotoError):
            receive_photo(store, ACCOUNT, PhotoFile("it.jpg", data), SAID)
    assert list(store.photographs.names()) == []


def test_sample_information_can_be_added_but_not_changed(store: Store, hill: PhotoFile) -> None:
    receive_photo(store, ACCOUNT, hill, SampleInfo(batch=BATCH))
    dipped = datetime.fromisoformat("2026-03-01T09:00:00")
    more = receive_photo(store, ACCOUNT, hill, msgspec.structs.replace(SAID, dipped=dipped))
    assert (more.point, more.dipped) == ("tap", dipped.astimezone())
    with pytest.raises(RecordsError, match="already stored with another point"):
        receive_photo(store, ACCOUNT, hill, SampleInfo(batch=BATCH, point="behind"))
    assert store.get(Photograph, more.id).point == "tap"


@pytest.mark.parametrize("name", ["a\nb.jpg", "\x00.jpg", "caf\udce9.jpg", "x" * 400 + ".jpg"])
def test_any_file_name_can_be_stored(store: Store, hill: PhotoFile, name: str) -> None:
    kept = receive_photo(store, ACCOUNT, PhotoFile(name, hill.data), SAID)
    assert receive.printable_name(name) == kept.name
    assert kept.name.isprintable()
    (taken,) = process_photos(store, ACCOUNT, [kept], UNJUDGED)
    assert taken.reading


def test_damaged_photographs_are_reported_and_the_others_read(
        store: Store, hill: PhotoFile, samples: Path) -> None:
    kept = [
        receive_photo(store, ACCOUNT, file, SAID) for file in (hill, phone_photo(samples / "sites" / "salt-quay.jpg"))
    ]
    (path,) = store.photographs.root.rglob(kept[0].id)  # type: ignore[attr-defined]
    path.write_bytes(b"x")
    first, second = process_photos(store, ACCOUNT, kept, UNJUDGED)
    assert first.reading is None
    assert "damaged" in first.why
    assert second.reading
    receive_photo(store, ACCOUNT, hill, SAID)
    (mended,) = process_photos(store, ACCOUNT, kept[:1], UNJUDGED)
    assert mended.reading, "adding it again mends it"


def test_many_processes_give_the_same_readings(store: Store, tmp_path: Path, samples: Path,
                                               sample_chart: Chart) -> None:
    files = [phone_photo(p) for p in sorted((samples / "sites").glob("*.jpg"))[:2]]
    other = desk(tmp_path / "other", samples, sample_chart)
    one, two = (
        list(
            process_photos(
                s,
                ACCOUNT,
                [receive_photo(s, ACCOUNT, f, SAID) for f in files],
                IntakeOptions(executor=executor_for(2, worth=1, processes=n)),
            )
        )
        for s, n in ((store, 1), (other, 2))
    )
    assert [t.assessment and t.assessment.assessment for t in one] == [
        t.assessment and t.assessment.assessment for t in two]
    assert [t.reading and t.reading.reading for t in one] == [t.reading and t.reading.reading for t in two]
    assert [t.photograph.name for t in two] == [f.where for f in files]
