"""Which reading of a photograph is current, and which of its assessments: one answer, wherever it is asked."""

from __future__ import annotations

import re
from datetime import timedelta

import msgspec
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from assess import Assessment
from calibration.chart import Chart
from stripread.monitoring.valid_readings import valid_readings
from stripread.report.test_report.basis import case_of
from stripread.review.reanalysis.job import load_original
from stripread.review.session import ReviewSession
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import ReviewDecision, StoredAssessment, StoredReading
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.reading_history import load_history
from stripread.store.reading_index import find_mismatch
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.reading_status import Decision, ReviewStatus, current_assessment, last_reading, review_status
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.statements import noted_statements
from tests.stripread.store.histories import ACCOUNT, NOW, Value, keep, photograph_of, reading_of, with_chart, with_site


def mismatch(store: Store) -> str | None:
    """A reading that the list has otherwise than the definition."""
    with store.viewing() as connection:
        return find_mismatch(connection)


@pytest.fixture
def reading(store: Store, sample_chart: Chart) -> StoredReading:
    keep(store, Account(id=ACCOUNT, roles=ROLES))
    chart = with_chart(with_site(store), sample_chart, "A")["A"]
    photograph = photograph_of("one", NOW, point="tap", batch="A")
    made = reading_of(photograph, {"hardness": Value(80.0)}, chart=chart)
    keep(store, photograph, made)
    return made


def test_simultaneous_assessments_have_one_current(store: Store, reading: StoredReading,
                                                        assessment: Assessment) -> None:
    """The ids decide, whichever was stored first; a list, a page, a report and a re-evaluation see one verdict."""
    good = msgspec.structs.replace(assessment, judgements=())
    for id_, judged, hours in (("b", good, 1), ("c", assessment, 1), ("a", good, 1), ("z", good, 0)):
        keep(store, StoredAssessment(id=id_, reading=reading.id, at=NOW + timedelta(hours=hours), account=ACCOUNT,
                                     assessment=judged))
    current = current_assessment(store, reading.id)
    assert current is not None
    assert current.id == "c"
    assert [r.verdict for r in readings(store, ReadingFilter())] == [current.verdict] != ["within-limits"]
    assert case_of(store, reading.id).assessment == load_original(store, reading.id).assessment == current
    assert mismatch(store) is None


def test_a_photograph_read_in_two_stores_has_one_current_reading(store: Store, reading: StoredReading) -> None:
    """Neither names the other, as after an import: the later one counts, and the earlier one is superseded."""
    later = msgspec.structs.replace(reading, id="another", at=reading.at + timedelta(hours=1))
    keep(store, later)
    assert last_reading(store, reading.photograph) == later
    assert [r.id for r in readings(store, ReadingFilter())] == [r.id for r in valid_readings(store)] == ["another"]
    assert load_history(store, reading.id).superseded_by == "another"
    with pytest.raises(RecordsError, match="superseded"):
        ReviewSession(store, ACCOUNT).accept(reading.id)
    keep(store, msgspec.structs.replace(reading, id="again", at=NOW + timedelta(minutes=1), supersedes="another"))
    current = last_reading(store, reading.photograph)
    assert current is not None
    assert [r.id for r in readings(store, ReadingFilter())] == [current.id] == ["again"]
    assert {r.superseded_by for r in readings(store, ReadingFilter(state="superseded"))} == {"again"}
    assert mismatch(store) is None


#: Who decided what in order (a capital letter is a rejection, a minus after it its withdrawal, "t!" the withdrawal of
#: the reading by its technician, "t-" its return), the status by one reviewer's decision, and by those of two.
CASES: tuple[tuple[str, ReviewStatus, ReviewStatus], ...] = (
    ("", "unreviewed", "unreviewed"),
    ("r", "accepted", "waiting"),
    ("R", "rejected", "waiting"),
    ("rr", "accepted", "waiting"),
    ("ro", "accepted", "accepted"),
    ("rO", "rejected", "disputed"),
    ("rOR", "rejected", "rejected"),
    ("rOi", "accepted", "disputed"),
    ("rOI", "rejected", "rejected"),
    ("roO", "rejected", "disputed"),
    ("rr-", "unreviewed", "unreviewed"),
    ("roo-", "accepted", "waiting"),
    ("rOr-", "rejected", "waiting"),
    ("rr-R", "rejected", "waiting"),
    ("rOO-i", "accepted", "accepted"),
    ("t!", "rejected", "rejected"),
    ("t!t-", "unreviewed", "unreviewed"),
    ("t!t-R", "rejected", "waiting"),
    ("rt!o", "rejected", "rejected"),
)
ONE, TWO = ReviewPolicy(), ReviewPolicy(two_reviewers=True)
WORDS = st.lists(st.sampled_from("rRoOiI"), max_size=8).map("".join)


def words(text: str) -> list[Decision]:
    marks: dict[str, ReviewDecision] = {"-": "withdrawn", "!": "reading-withdrawn"}
    return [Decision(letter.lower(), marks.get(mark, "rejected" if letter.isupper() else "accepted"))
            for letter, mark in re.findall(r"(\w)([-!]?)", text)]


@pytest.mark.parametrize(("said", "by_one", "by_two"), CASES)
def test_the_status_follows_from_the_decisions_in_order(said: str, by_one: ReviewStatus, by_two: ReviewStatus) -> None:
    assert review_status(words(said), ONE) == by_one
    assert review_status(words(said), TWO) == by_two


@given(WORDS)
def test_two_reviewers_must_agree(said: str) -> None:
    decided = review_status(words(said), TWO)
    last = {letter.lower(): letter for letter in said}
    assume(decided in ("accepted", "rejected"))
    assert sum(letter.isupper() == (decided == "rejected") for letter in last.values()) >= 2
    assert decided == review_status(words(said), ONE)


def test_a_change_of_a_place_updates_the_index_only_where_readings_move(store: Store, reading: StoredReading) -> None:
    """To another site or group; a name, an interval or limits of a place are not in the index."""
    point = store.get(SamplingPoint, "tap")
    site = store.get(Site, point.site)
    for record in (msgspec.structs.replace(point, name="other", every_days=8), msgspec.structs.replace(site, zone="x")):
        with noted_statements(store) as noted:
            keep(store, record)
        assert not [s for s in noted if "DELETE FROM reading_index" in s.sql]
        assert mismatch(store) is None
    keep(store, SiteGroup(id="north", name="North"), Site(id="elsewhere", name="Elsewhere"))
    keep(store, msgspec.structs.replace(site, group="north"))
    assert [r.group for r in readings(store, ReadingFilter(site=site.id))] == ["north"]
    keep(store, msgspec.structs.replace(point, site="elsewhere"))
    assert [r.id for r in readings(store, ReadingFilter(site="elsewhere"))] == [reading.id]
    assert mismatch(store) is None
