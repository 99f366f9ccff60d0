from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from calibration.release import Release, State, releases_beside, save_release, state_of
from shared.errors import FileError
from shared.flags import FLAGS

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def said(state: State, when: datetime = NOON, *, since: datetime | None = None) -> Release:
    return Release(chart="a" * 64, state=state, who="analyst 3", when=when, why="checks passed", valid_from=since,
                   valid_until=when + 90 * DAY if state == "released" else None)


@pytest.mark.parametrize(("releases", "now", "flags"), [
    ([], NOON, ("chart-draft",)),
    ([said("draft")], NOON, ("chart-draft",)),
    ([said("released")], NOON, ()),
    ([said("released")], NOON - DAY, ("chart-draft",)),
    ([said("released")], NOON + 90 * DAY, ()),
    ([said("released")], NOON + 91 * DAY, ("chart-expired",)),
    ([said("released", since=NOON + 2 * DAY)], NOON + DAY, ("chart-draft",)),
    ([said("released"), said("withdrawn", NOON + DAY)], NOON + 2 * DAY, ("chart-withdrawn",)),
    ([said("withdrawn", NOON + DAY), said("released")], NOON, ()),
    ([said("withdrawn"), said("released", NOON + DAY)], NOON + 2 * DAY, ()),
])
def test_the_latest_statement_holds(releases: list[Release], now: datetime, flags: tuple[str, ...]) -> None:
    assert state_of("a" * 64, releases, now=now) == flags
    assert set(flags) <= FLAGS.keys()


def test_a_release_of_another_chart_says_nothing() -> None:
    assert state_of("b" * 64, [said("released")], now=NOON) == ("chart-draft",)


def test_files_lie_beside_the_chart_and_come_back(tmp_path: Path) -> None:
    chart, other = tmp_path / "batch [7].json", tmp_path / "batch 7.json"
    first, second = said("released"), said("withdrawn", NOON + DAY)
    for statement in (second, first):
        save_release(statement, chart)
    save_release(said("draft"), other)
    assert releases_beside(chart) == (first, second)


def test_a_statement_is_never_written_over(tmp_path: Path) -> None:
    save_release(said("released"), tmp_path / "c.json")
    with pytest.raises(FileError, match="cannot be written"):
        save_release(said("released"), tmp_path / "c.json")


@pytest.mark.parametrize(("change", "message"), [
    ({"state": "approved"}, "released"),
    ({"who": " "}, "who is empty"),
    ({"valid_until": None}, "needs valid_until"),
    ({"valid_until": "2020-01-01T00:00:00Z"}, "valid until 2020"),
    ({"when": "2026-11-25T12:00:00"}, "timezone"),
    ({"note": "x"}, "note"),
])
def test_files_that_cannot_be_meant_are_refused(tmp_path: Path, change: dict[str, object], message: str) -> None:
    content = {**msgspec.to_builtins(said("released")), **change}
    (tmp_path / "c.release-1.json").write_bytes(msgspec.json.encode(content))
    with pytest.raises(FileError) as raised:
        releases_beside(tmp_path / "c.json")
    assert message in raised.value.message
    assert "c.release-1.json" in raised.value.message
