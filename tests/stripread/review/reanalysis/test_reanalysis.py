"""Stored readings evaluated again: identical to the last digit, or the difference is named; superseded without loss."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from calibration.chart import Chart
from shared.profile import read_profile
from stripread.intake.materials_import import register_chart
from stripread.intake.process import process_photos
from stripread.intake.receive import SampleInfo, delete_photo, receive_photo
from stripread.reading.context import with_status_flags
from stripread.reading.manual_location import points_of
from stripread.reading.photo_file import PhotoFile, open_photo
from stripread.reading.read import read_file
from stripread.reading.result import ManualLocation, Provenance, Reading
from stripread.review.reanalysis.comparison import ReadingComparison, SummaryBuilder
from stripread.review.reanalysis.run import ReanalysisOptions, reevaluate, reproduce
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.models.materials import Batch
from stripread.store.reading_status import last_reading
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from stripread.version import SOFTWARE, libraries
from tests.loops import some
from tests.stripread.intake.phone_photos import desk, phone_photo, shifted
from tests.stripread.store.histories import ACCOUNT, NOW, keep

BATCH = "samples"
LATER = NOW + timedelta(days=1)
SUPERSEDING = ReanalysisOptions(by=ACCOUNT, why="a better chart")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory, samples: Path, sample_chart: Chart) -> Path:
    """Readings as intake keeps them: two sites, one of them timed, no strip, a card and pads placed."""
    folder = tmp_path_factory.mktemp("desk")
    store = desk(folder, samples, sample_chart)
    timed = SampleInfo(point="tap", batch=BATCH, dipped=datetime(2026, 3, 1, 9, 0, 0, tzinfo=UTC))
    photographs = [
        receive_photo(
            store, ACCOUNT, phone_photo(samples / "sites" / "mill-yard.jpg", taken="2026:03:01 09:05:00"), timed
        ),
        *(
            receive_photo(
                store, ACCOUNT, open_photo(samples / folder / f"{name}.jpg"), SampleInfo(point="tap", batch=BATCH)
            )
            for folder, name in (("sites", "limestone-hill"), ("faults", "no-strip"))
        ),
    ]
    list(process_photos(store, ACCOUNT, photographs))
    _keep_by_hand(store, open_photo(samples / "sites" / "salt-quay.jpg"), sample_chart, samples)
    store.close()
    return folder


def _keep_by_hand(store: Store, file: PhotoFile, chart: Chart, samples: Path) -> None:
    """As a reviewer's page would, with corners that were not rounded."""
    profile = read_profile(samples / "card-run-007.txt")
    free = read_file(file, chart, [profile])
    assert free.card
    hand = ManualLocation(corners=points_of(np.array(free.card.corners_px) + 1.123456789),
                  pads={p.analyte: p.px for p in free.pads[::2]})
    photograph = receive_photo(store, ACCOUNT, file, SampleInfo(point="tap", batch=BATCH))
    made = with_status_flags(read_file(file, chart, [profile], hand), ["chart-expired"], phones=frozenset())
    keep(store, StoredReading(id="by hand", photograph=photograph.id, at=NOW, account=ACCOUNT, reading=made))


@pytest.fixture
def store(template: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of the template, a day later."""
    shutil.copytree(template, tmp_path / "copy")
    opened = open_store(settings_of(tmp_path), clock=lambda: LATER)
    yield opened
    opened.close()


def settings_of(folder: Path) -> Settings:
    return Settings(database=f"sqlite:///{folder / 'copy' / 'records.sqlite'}",
                    photographs=str(folder / "copy" / "photographs"))


@pytest.fixture(scope="module")
def other(sample_chart: Chart) -> Chart:
    """Another chart of the batch."""
    return shifted(sample_chart)


def ids(store: Store) -> list[str]:
    return store.ids(StoredReading)


def by_photo(found: Sequence[ReadingComparison]) -> dict[str, ReadingComparison]:
    return {one.photo: one for one in found}


def changed(store: Store, id_: str, **provenance: Any) -> StoredReading:
    """A reading like a kept one, but for its provenance."""
    kept = store.get(StoredReading, id_)
    about = msgspec.structs.replace(kept.reading.provenance, **provenance)
    return msgspec.structs.replace(kept, id="changed", reading=msgspec.structs.replace(kept.reading, provenance=about))


def test_every_reading_is_reproduced_bit_identically(store: Store) -> None:
    """Timed, refused and placed by hand too; the record before and after is one JSON but for nothing."""
    found = list(reproduce(store, ids(store)))
    assert [(one.outcome, one.inputs, one.versions, one.numbers) for one in found] == [("same", (), (), ())] * 4
    timed = next(r for r in store.find(StoredReading) if r.reading.photo == "mill-yard.jpg")
    assert timed.reading.provenance.after_dip_s == 300.0
    assert store.get(StoredReading, "by hand").reading.placed_by_hand
    assert verify_store(store).head == store.head()


def test_a_manual_location_is_stored_to_reproduce_the_reading(store: Store) -> None:
    """Without it the card is found by its markers, and the reading is another: so it is kept."""
    keep(store, changed(store, "by hand", placed=None))
    (found,) = reproduce(store, ["changed"])
    assert found.outcome == "differs"
    assert "card.placed_by_hand" in found.numbers


def test_a_difference_names_the_changed_versions(store: Store) -> None:
    first = next(r for r in store.find(StoredReading) if r.reading.photo == "limestone-hill.jpg")
    pad, *others = first.reading.pads
    assert pad.value
    made = changed(store, first.id, software="stripread 0.0.1", pixels_sha256="0" * 64,
                   libraries={**libraries(), "opencv": "4.13.0"})
    pads = (msgspec.structs.replace(pad, value=pad.value * 1.02), *others)
    keep(store, msgspec.structs.replace(made, reading=msgspec.structs.replace(made.reading, pads=pads)))
    (found,) = reproduce(store, ["changed"])
    assert found.outcome == "differs"
    assert found.numbers == ("pads[0].value",)
    assert [s.analyte for s in found.shifts] == [pad.analyte]
    assert found.inputs[0].startswith("decoded pixels 0000000000 -> ")
    assert found.versions == (f"stripread 0.0.1 -> {SOFTWARE}", f"opencv 4.13.0 -> {libraries()['opencv']}")


def test_missing_profiles_and_photographs_are_reported(store: Store) -> None:
    hill, yard = (next(r for r in store.find(StoredReading) if r.reading.photo == f"{name}.jpg")
                  for name in ("limestone-hill", "mill-yard"))
    keep(store, changed(store, hill.id, profile="0" * 64))
    delete_photo(store, store.get(StoredReading, "by hand").photograph, by=ACCOUNT, why="kept long enough")
    store.photographs.remove(yard.photograph)
    found = list(reproduce(store, ["changed", "by hand", yard.id]))
    assert [one.outcome for one in found] == ["not-evaluated", "skipped", "not-evaluated"]
    for one, says in zip(
        found, ("a card profile used for the reading is not in the store", "purged", "is missing"), strict=True
    ):
        assert says in one.why


def test_readings_are_compared_then_superseded_on_another_chart(store: Store, other: Chart) -> None:
    """How far each value moves is what reading the photographs on both charts gives."""
    register_chart(store, ACCOUNT, other)
    before, head = ids(store), store.head()
    tally = SummaryBuilder()
    for one in (found := list(reevaluate(store, before, ReanalysisOptions(other)))):
        tally.add(one)
    assert (store.head(), ids(store)) == (head, before), "compared only"
    hill = by_photo(found)["limestone-hill.jpg"]
    assert hill.outcome == "differs"
    assert len(hill.shifts) == 5
    assert all(s.share and s.was != s.now for s in hill.shifts)
    summary = tally.summary()
    assert (summary.readings, summary.outcomes["differs"], summary.superseded) == (4, 3, 0)
    assert sum(summary.flips.values()) == sum(len(one.flips) for one in found)

    list(reevaluate(store, before, SUPERSEDING))
    for id_ in before:
        old = store.get(StoredReading, id_)
        (new,) = store.find(StoredReading, supersedes=id_)
        assert (new.reading.provenance.chart, new.photograph, new.at) == (other.id, old.photograph, LATER)
        judged = (len(store.find(StoredAssessment, reading=r.id)) for r in (old, new))
        assert len(set(judged)) == 1, "judged anew if it was judged"
        assert last_reading(store, old.photograph) == new
    assert verify_store(store, head=head).wrong == ""


def test_a_reevaluation_is_idempotent(store: Store, other: Chart) -> None:
    """Stopped after one, done to the end, done again, with old ids and with all."""
    register_chart(store, ACCOUNT, other)
    before = ids(store)
    next(iter(reevaluate(store, before, SUPERSEDING)))
    assert len(ids(store)) == len(before) + 1
    list(reevaluate(store, before, SUPERSEDING))
    assert len(ids(store)) == 2 * len(before)
    assert {one.why for one in reevaluate(store, ids(store), SUPERSEDING)} == {
        "already superseded", "already evaluated on this chart by this version"}
    assert len(ids(store)) == 2 * len(before)
    assert verify_store(store).wrong == ""


def test_an_unchanged_reading_is_not_superseded(store: Store) -> None:
    """A version that changes no number does not cause a new reading."""
    keep(store, changed(store, "by hand", software="stripread 0.0.1"))
    before = ids(store)
    (found,) = reevaluate(store, ["changed"], SUPERSEDING)
    assert (found.outcome, found.flags_gone, found.new is None) == ("differs", ("chart-expired",), False)
    keep(store, msgspec.structs.replace(changed(store, found.new or "", software="stripread 0.0.1"), id="z-again",
                                        supersedes=None))
    (again,) = reevaluate(store, ["z-again"], SUPERSEDING)
    assert (again.outcome, again.new, again.versions) == ("same", None, (f"stripread 0.0.1 -> {SOFTWARE}",))
    assert len(ids(store)) == len(before) + 2


def test_a_chart_of_another_batch_is_rejected(store: Store, other: Chart) -> None:
    strange = msgspec.structs.replace(other, batch="another")
    keep(store, Batch(id="another", strip=strange.strip.name))
    register_chart(store, ACCOUNT, strange)
    with pytest.raises(RecordsError, match="the chart belongs to another strip batch"):
        list(reevaluate(store, ids(store), ReanalysisOptions(strange)))


REREAD = """
import sys
sys.path.insert(0, {root!r})
from stripread.store.models.evidence import StoredReading
from stripread.review.reanalysis.run import ReanalysisOptions, reevaluate
from stripread.store.settings import Settings
from stripread.store.store import open_store
store = open_store(Settings(database={database!r}, photographs={photographs!r}))
for one in reevaluate(store, store.ids(StoredReading), ReanalysisOptions(by={account!r}, why="a better chart")):
    print(one.photo, flush=True)
"""


def test_a_killed_reevaluation_leaves_no_partial_or_duplicate_reading(store: Store, other: Chart,
                                                                      tmp_path: Path) -> None:
    """Kill -9 after each reading in turn; at the end each has one successor, each successor its assessment."""
    register_chart(store, ACCOUNT, other)
    before, settings = ids(store), settings_of(tmp_path)
    source = REREAD.format(root=str(Path(__file__).parents[4]), database=settings.database,
                           photographs=settings.photographs, account=ACCOUNT)
    for done in (1, 3):
        running = subprocess.Popen([sys.executable, "-c", source], stdout=subprocess.PIPE, text=True)
        assert running.stdout
        for _ in range(done):
            running.stdout.readline()
        running.kill()
        running.communicate()
        assert verify_store(store).wrong == ""
    list(reevaluate(store, before, SUPERSEDING))
    after = store.find(StoredReading)
    assert sorted(r.supersedes or "" for r in after if r.id not in before) == sorted(before)
    for new in some(r for r in after if r.supersedes):
        judged = (len(store.find(StoredAssessment, reading=id_)) for id_ in (new.id, new.supersedes))
        assert len(set(judged)) == 1


def test_readings_without_library_versions_are_still_valid(store: Store) -> None:
    """A record without the newer fields is a record still."""
    plain = msgspec.to_builtins(store.get(StoredReading, "by hand").reading)
    for name in ("libraries", "runs", "placed"):
        del plain["provenance"][name]
    assert msgspec.convert(plain, Reading).provenance.libraries == {}
    assert isinstance(msgspec.convert(plain, Reading).provenance, Provenance)
