"""Charts, profiles and batches, kept and found again."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
import pytest

from calibration.chart import Chart, save_chart
from calibration.release import Evidence, Release, save_release
from shared.errors import FileError, MismatchError
from shared.profile import PrintProfile, profile_text
from stripread.intake.materials_import import add_release, import_file, register_batch, register_chart, register_tube
from stripread.store import chart_selection
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.materials import Batch, StoredRelease, Tube
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, NOW, empty_store
from tests.synthetic import evidence

DAY = timedelta(days=1)


@pytest.fixture
def store(sample_store: Store) -> Store:
    return sample_store


def made_on(chart: Chart, day: int) -> Chart:
    """Another chart of the batch, made on that day of May 2031."""
    made = msgspec.structs.replace(chart.conditions, made=f"2031-05-{day:02}T12:00:00+00:00")
    return msgspec.structs.replace(chart, conditions=made)


def released(chart: Chart, *, when: datetime = NOW - DAY, until: datetime = NOW + DAY) -> Release:
    return Release(chart=chart.id, state="released", by=ACCOUNT, when=when, why="checks passed", valid_until=until,
                   evidence=evidence(chart))


def test_a_chart_is_registered_with_its_releases_without_names(
        tmp_path: Path, sample_chart: Chart) -> None:
    store, file = empty_store(tmp_path), tmp_path / "a.json"
    save_chart(sample_chart, file)
    said = msgspec.structs.replace(released(sample_chart), by="Ada Beispiel")
    save_release(said, file)
    assert import_file(store, ACCOUNT, file).new == 2
    assert import_file(store, ACCOUNT, file).new == 0, "again, nothing is doubled"
    assert chart_selection.chart_for(store, sample_chart.batch, NOW) == sample_chart
    (kept,) = chart_selection.releases(store, sample_chart.id)
    assert kept == msgspec.structs.replace(said, by=ACCOUNT)
    assert store.get(Batch, sample_chart.batch).strip == sample_chart.strip.name
    assert b"Ada" not in msgspec.json.encode(store.find(StoredRelease))
    assert verify_store(store).wrong == ""


def test_a_later_release_can_be_registered_alone(tmp_path: Path, store: Store,
                                                                sample_chart: Chart) -> None:
    file = save_release(released(sample_chart), tmp_path / "a.json")
    assert import_file(store, ACCOUNT, file).new == 1
    assert chart_selection.chart_flags(store, sample_chart, NOW) == ()


def test_a_release_that_fails_the_gate_is_not_stored(store: Store, sample_chart: Chart) -> None:
    bare = msgspec.structs.replace(released(sample_chart), evidence=Evidence())
    with pytest.raises(MismatchError, match=r"fails the release gate.*--despite REASON"):
        add_release(store, ACCOUNT, bare)
    assert chart_selection.releases(store, sample_chart.id) == ()
    add_release(store, ACCOUNT, msgspec.structs.replace(bare, despite="no standards until Monday"))
    assert chart_selection.chart_flags(store, sample_chart, NOW) == ("chart-override",)
    assert chart_selection.chart_for(store, sample_chart.batch, NOW) == sample_chart
    register_chart(store, ACCOUNT, made_on(sample_chart, 9))
    assert chart_selection.chart_for(store, sample_chart.batch, NOW) == sample_chart, "overridden, and yet released"


def test_a_card_profile_survives_storage(store: Store, sample_chart: Chart,
                                                   sample_profile: PrintProfile) -> None:
    (found,) = chart_selection.profiles(store, sample_chart.card)
    assert found.id == sample_profile.id


def test_the_later_of_two_profiles_applies(
        tmp_path: Path, store: Store, sample_chart: Chart, sample_profile: PrintProfile) -> None:
    again = replace(sample_profile, lab=sample_profile.lab + 0.2)
    file = tmp_path / "again.txt"
    file.write_text(profile_text(again, names={}, descriptor="measured again", originator="test"))
    import_file(empty_store(tmp_path, now=NOW + DAY), ACCOUNT, file)
    (found,) = chart_selection.profiles(store, sample_chart.card)
    np.testing.assert_allclose(found.lab_of(again.ids), again.lab, atol=1e-3)


@pytest.mark.parametrize(("content", "says"), [
    ('{"format": "card-layout/1"}', "this type of file cannot be registered; found 'card-layout/1'"),
    ("{}", "found other JSON"),
    ("[1]", "expected `object`"), ("{", "not valid JSON"), ("a,b\n1,2\n", "not a CGATS.17 table"), ("", "BEGIN_DATA")])
def test_other_files_are_rejected(tmp_path: Path, content: str, says: str) -> None:
    store, file = empty_store(tmp_path), tmp_path / "it"
    file.write_text(content)
    with pytest.raises(FileError) as printed:
        import_file(store, ACCOUNT, file)
    assert says in str(printed.value)
    assert str(file) in str(printed.value)


def test_a_valid_released_chart_is_preferred_to_a_newer_one(store: Store, sample_chart: Chart) -> None:
    first, second, third = sample_chart, made_on(sample_chart, 2), made_on(sample_chart, 3)

    def found() -> str:
        return chart_selection.chart_for(store, sample_chart.batch, NOW).id

    register_chart(store, ACCOUNT, third)
    register_chart(store, ACCOUNT, second)
    assert found() == third.id, "none is released: the newest made, whichever was kept last"
    assert chart_selection.chart_flags(store, third, NOW) == ("chart-draft",)
    add_release(store, ACCOUNT, released(first))
    assert found() == first.id
    add_release(store, ACCOUNT, released(second))
    assert found() == second.id, "of several the newer"
    add_release(store, ACCOUNT, Release(chart=second.id, state="withdrawn", by=ACCOUNT, when=NOW, why="a drift"))
    assert found() == first.id
    later = NOW + 2 * DAY
    assert chart_selection.chart_for(store, first.batch, later).id == third.id
    assert chart_selection.chart_flags(store, first, later) == ("chart-expired",)
    assert chart_selection.chart_flags(store, second, later) == ("chart-withdrawn",)


def test_an_error_on_a_missing_chart_lists_batches_with_charts(store: Store, sample_chart: Chart) -> None:
    with pytest.raises(
        RecordsError, match=f"no calibration chart for this batch; found batch X; allowed: {sample_chart.batch}"
    ):
        chart_selection.chart_for(store, "X", NOW)


def test_a_chart_is_found_by_a_prefix_of_its_hash(store: Store, sample_chart: Chart) -> None:
    found = chart_selection.find_chart(store, sample_chart.id[:8], NOW)
    assert found is not None
    assert found.id == sample_chart.id
    assert chart_selection.find_chart(store, sample_chart.batch, NOW) == found
    assert chart_selection.find_chart(store, sample_chart.id[:3], NOW) is None, "too few digits say nothing"


@pytest.mark.parametrize(("expires", "opened", "keeps", "last"), [
    (date(2026, 3, 1), None, None, date(2026, 3, 1)), (date(2026, 3, 2), None, None, date(2026, 3, 2)),
    (date(2026, 12, 31), date(2026, 2, 1), 28, date(2026, 3, 1)), (date(2026, 12, 31), date(2026, 2, 1), 29, None),
    (None, date(2026, 2, 1), None, None), (None, None, 28, None)])
def test_strips_are_expired_after_their_last_day(  # noqa: PLR0917
        store: Store, sample_chart: Chart, expires: date | None, opened: date | None, keeps: int | None,
        last: date | None) -> None:
    """By the calendar: 28 days from 1 February 2026 end on 1 March. It is 2 March."""
    add_release(store, ACCOUNT, released(sample_chart))
    batch = sample_chart.batch
    register_batch(store, ACCOUNT, Batch(id=batch, strip=sample_chart.strip.name, expires=expires, keeps_days=keeps))
    register_tube(store, ACCOUNT, Tube(id="t", batch=batch, opened=opened))
    old = last is not None and last < NOW.date()
    assert chart_selection.chart_flags(store, sample_chart, NOW) == (("batch-expired",) if old else ())
    assert chart_selection.chart_flags(store, sample_chart, NOW, used=date(2026, 3, 1)) == (), "the day of use counts"


def test_the_only_tube_in_use_is_the_default(store: Store, sample_chart: Chart) -> None:
    batch = sample_chart.batch
    assert chart_selection.tube_in_use(store, batch) is None
    for tube, in_use in ((Tube(id="0", batch=batch), None), (Tube(id="1", batch=batch, opened=NOW.date()), "1"),
                         (Tube(id="2", batch=batch, opened=NOW.date()), None)):
        register_tube(store, ACCOUNT, tube)
        assert chart_selection.tube_in_use(store, batch) == in_use
    register_tube(store, ACCOUNT, Tube(id="1", batch=batch, finished=date(2026, 1, 1)))
    assert chart_selection.tube_in_use(store, batch) == "2"
    with pytest.raises(RecordsError, match="another batch"):
        register_tube(store, ACCOUNT, Tube(id="1", batch="other"))


def test_the_strip_type_of_a_batch_cannot_change(store: Store, sample_chart: Chart) -> None:
    with pytest.raises(RecordsError, match="another strip type"):
        register_batch(store, ACCOUNT, Batch(id=sample_chart.batch, strip="another"))
    other = msgspec.structs.replace(sample_chart.strip, name="another")
    with pytest.raises(RecordsError, match="another strip type"):
        register_chart(store, ACCOUNT, msgspec.structs.replace(sample_chart, strip=other))
