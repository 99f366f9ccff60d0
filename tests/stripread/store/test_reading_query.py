"""Lists against the same filters written out in Python over what was put; invented readings, on each database."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import msgspec
import pytest

from calibration.chart import Chart
from stripread.store import reading_query
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Correction, Photograph, Review, StoredAssessment, StoredReading
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.reading_query import ReadingFilter, ReadingRow, count_readings, readings
from stripread.store.schema import READING_INDEX
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.stripread.store.histories import ACCOUNT, NOW, Value, keep, photograph_of, reading_of, with_chart, with_site
from tests.stripread.store.world import Material, World

FLAGS = ((), ("glare",), ("no-card",), ("glare", "early"))


@pytest.fixture
def many(store: Store, material: Material, sample_chart: Chart) -> Store:
    """Twelve readings at two points, the first superseded by the last, some judged, reviewed and corrected."""
    keep(store, *(Account(id=id_, roles=("reviewer",)) for id_ in (ACCOUNT, "ruth", "omar")))
    charts = with_chart(with_site(store), sample_chart, "A", "B")
    for k in range(12):
        batch = "AB"[k % 2]
        photograph = photograph_of(f"{k:02}", NOW + timedelta(days=k), point=("tap", "behind")[k % 3 == 0], batch=batch)
        kept = reading_of(photograph, {"hardness": Value(80.0)} if k % 4 else {}, chart=charts[batch])
        keep(store, photograph, _with(kept, FLAGS[k % 4], supersedes="reading of 00" if k == 11 else None))
    for k in (3, 5, 6):
        keep(store, StoredAssessment(id=f"judged {k}", reading=f"reading of {k:02}", at=NOW, account=ACCOUNT,
                                     assessment=material.assessment))
    for who, k, decision in (("ruth", 1, "accepted"), ("omar", 1, "accepted"), ("ruth", 2, "accepted"),
                             ("omar", 2, "rejected"), ("ruth", 7, "rejected"), ("ruth", 7, "accepted"),
                             ("omar", 9, "rejected"), ("ruth", 9, "accepted"), ("omar", 9, "withdrawn"),
                             ("ruth", 10, "rejected"), ("ruth", 10, "withdrawn")):
        keep(store, _review(store, who, k, decision), by=who)
    keep(store, _correction(4))
    return store


def _with(kept: StoredReading, flags: tuple[str, ...], *, supersedes: str | None) -> StoredReading:
    return msgspec.structs.replace(kept, reading=msgspec.structs.replace(kept.reading, flags=flags),
                                   supersedes=supersedes)


def _review(store: Store, who: str, k: int, decision: Any) -> Review:
    said = store.head().entries
    # Dated backwards: the order is that of the log.
    return Review(id=f"review {said}", reading=f"reading of {k:02}", decision=decision, why="seen",
                  at=NOW - timedelta(minutes=said), account=who)


def _correction(k: int) -> Correction:
    estimate = Value(82.0).pad("hardness").estimate()
    assert estimate
    return Correction(id="corrected", reading=f"reading of {k:02}", estimate=estimate, why="seen", at=NOW,
                      account=ACCOUNT)


def numbers(found: list[ReadingRow]) -> list[int]:
    return [int(listed.photo) for listed in found]


Case = tuple[dict[str, Any], Callable[[int], bool]]
CASES: list[Case] = [
    ({}, lambda k: k != 0),
    ({"state": None}, lambda _: True),
    ({"state": "superseded"}, lambda k: k == 0),
    ({"site": "mill"}, lambda k: k != 0),
    ({"site": "elsewhere"}, lambda _: False),
    ({"group": "north", "status": "no-result"}, lambda k: k in (4, 8)),
    ({"point": "behind"}, lambda k: k in (3, 6, 9)),
    ({"batch": "B"}, lambda k: k % 2 == 1),
    ({"since": NOW + timedelta(days=2), "until": NOW + timedelta(days=5)}, lambda k: 2 <= k <= 5),
    ({"flag": "glare", "point": "tap"}, lambda k: k in (1, 5, 7, 11)),
    ({"flag": "%"}, lambda _: False),
    ({"reviewed": "accepted"}, lambda k: k in (1, 7, 9)),
    ({"reviewed": "rejected"}, lambda k: k == 2),
    ({"reviewed": "unreviewed"}, lambda k: k not in (0, 1, 2, 7, 9)),
    ({"reviewed": "accepted", "two_reviewers": True}, lambda k: k == 1),
    ({"reviewed": "waiting", "two_reviewers": True}, lambda k: k in (7, 9)),
    ({"reviewed": "disputed", "two_reviewers": True}, lambda k: k == 2),
    ({"corrected": True}, lambda k: k == 4),
    ({"corrected": False}, lambda k: k not in (0, 4)),
    ({"search": "MILL"}, lambda k: k != 0),
    ({"search": "behin"}, lambda k: k in (3, 6, 9)),
    ({"search": "10"}, lambda k: k == 10),
    ({"search": "0"}, lambda k: 0 < k < 10),
    ({"search": "iL"}, lambda k: k != 0),
    ({"search": "reading of 0"}, lambda k: 0 < k < 10),
    ({"search": "_"}, lambda _: False),
]


def test_each_filter_selects_the_same_as_a_plain_loop(many: Store) -> None:
    for asked, holds in CASES:
        wanted = ReadingFilter(**{name: value for name, value in asked.items() if name != "two_reviewers"})
        many.review = ReviewPolicy(two_reviewers=asked.get("two_reviewers", False))
        expected = [k for k in range(11, -1, -1) if holds(k)]
        assert numbers(readings(many, wanted)) == expected, asked
        assert numbers(readings(many, wanted, oldest_first=True)) == expected[::-1], asked
        assert count_readings(many, wanted) == len(expected), asked
    many.review = ReviewPolicy()
    judged = {listed.photo: listed.verdict for listed in readings(many, ReadingFilter())}
    (verdict,) = {judged[k] for k in ("03", "05", "06")}
    assert verdict is not None
    assert numbers(readings(many, ReadingFilter(verdict=verdict))) == [6, 5, 3]


def test_a_search_that_finds_many_photographs_misses_none(many: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = numbers(readings(many, ReadingFilter(search="0")))
    monkeypatch.setattr(reading_query, "_FEW_NAMED", 2)
    assert numbers(readings(many, ReadingFilter(search="0"))) == whole


@pytest.mark.parametrize("oldest_first", [False, True])
def test_pages_together_give_the_whole_list(many: Store, *, oldest_first: bool) -> None:
    whole = readings(many, ReadingFilter(state=None), oldest_first=oldest_first)
    pages: list[ReadingRow] = []
    while page := readings(many, ReadingFilter(state=None), 5, pages[-1].id if pages else None,
                           oldest_first=oldest_first):
        pages += page
    assert pages == whole
    with pytest.raises(RecordsError, match="no such reading"):
        readings(many, ReadingFilter(), before="r9")


def test_lists_are_updated_with_each_change(many: Store) -> None:
    """A photograph's point is assigned later, a point moves, a site joins another group."""
    keep(many, SiteGroup(id="south", name="South"), Site(id="quay", name="The Quay", group="south"))
    keep(many, SamplingPoint(id="behind", site="quay", place="mains", name="behind"))
    assert numbers(readings(many, ReadingFilter(group="south"))) == [9, 6, 3]
    keep(many, Site(id="mill", name="Mill Street", group="south"))
    assert len(readings(many, ReadingFilter(group="south"))) == 11
    seven = next(x for x in readings(many, ReadingFilter()) if x.photo == "07")
    assert seven.site_name == "Mill Street"
    moved = msgspec.structs.replace(many.get(Photograph, seven.photograph), point=None, dipped=NOW + timedelta(days=99),
                                   received=NOW + timedelta(days=100))
    keep(many, moved)
    first = readings(many, ReadingFilter())[0]
    assert (first.photo, first.site, first.point) == ("07", None, None)
    assert "listed" not in verify_store(many).wrong


@pytest.mark.parametrize("column", [c.name for c in READING_INDEX.c if c.name != "reading"])
def test_a_changed_reading_index_is_detected(world: World, column: str) -> None:
    changed = READING_INDEX.update().where(READING_INDEX.c.reading == "again").values({column: "x"})
    with world.store.engine.begin() as connection:
        connection.execute(changed)
    assert "listed again" in verify_store(world.store).wrong


def test_a_record_is_found_by_prefix_or_name(many: Store) -> None:
    assert (
        resolve_id(many, Site, "mill") == resolve_id(many, Site, "mi") == resolve_id(many, Site, "Mill Lane") == "mill"
    )
    assert resolve_id(many, StoredReading, "reading of 07") == "reading of 07"
    for typed, problem in (("reading", "several"), ("MI", "no such"), ("%", "no such"), ("", "no such")):
        with pytest.raises(RecordsError, match=problem):
            resolve_id(many, StoredReading if typed != "MI" else Site, typed)
    assert short_id("0123456789abcdef" * 2) == "0123456789"
    assert short_id("mill") == "mill"
