"""Impact of a withdrawal: which readings, verdicts, reports and sites rest on a chart, a tube or a phone."""

from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from assess import Assessment, AssessmentSetup, assess, load_limits, sample_from_typed
from calibration.chart import Chart
from stripread.review.session import ReviewSession
from stripread.review.withdrawal_impact import WithdrawalImpact, withdrawal_impact
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import IssuedReport, SampleAssessment, StoredAssessment
from stripread.store.models.materials import Phone, Tube
from stripread.store.models.sites import Site, SiteGroup
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store
from tests.stripread.cli.inside import stripread
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
    with_site,
)

MODEL = "Invented Camera 3"
#: Name of the reading: point, days before today, batch, tube, phone, model in the photograph.
READINGS = {
    "tap old": ("tap", 30, "A", None, None, None),
    "tap new": ("tap", 2, "B", "B/1", "phone-3", None),
    "outlet old": ("behind", 30, "B", "B/1", None, MODEL),
    "outlet new": ("behind", 1, "A", "A/1", None, None),
    "no point": (None, 1, "B", "B/1", None, None),
    "rejected": ("tap", 1, "B", "B/1", "phone-3", None),
}


@pytest.fixture
def charts(sample_chart: Chart) -> dict[str, str]:
    return {batch: msgspec.structs.replace(sample_chart, batch=batch).id for batch in "AB"}


@pytest.fixture
def store(tmp_path: Path, sample_chart: Chart, assessment: Assessment) -> Store:
    made = with_site(empty_store(tmp_path))
    charts = with_chart(made, sample_chart, "A", "B")
    keep(made, *(Tube(id=f"{batch}/1", batch=batch) for batch in "AB"), Phone(id="phone-3", model=MODEL),
         Account(id="ruth", roles=("reviewer",)))
    good = msgspec.structs.replace(assessment, judgements=())
    hard = assess(sample_from_typed({"hardness": "320 ± 5 mg/L CaCO3", "alkalinity": "240 ± 5 mg/L CaCO3"}),
                  AssessmentSetup(equipment=assessment.equipment, limits=load_limits(), units={}))
    for name, (point, days, batch, tube, phone, model) in READINGS.items():
        photograph = msgspec.structs.replace(
            photograph_of(name, NOW - timedelta(days=days), point=point, batch=batch), tube=tube, phone=phone)
        reading = reading_of(photograph, {"hardness": Value(60.0)}, chart=charts[batch])
        provenance = msgspec.structs.replace(reading.reading.provenance, camera=model)
        reading = msgspec.structs.replace(
            reading, reading=msgspec.structs.replace(reading.reading, provenance=provenance))
        keep(made, photograph, reading, StoredAssessment(
            id=name, reading=reading.id, at=reading.at, account=ACCOUNT,
            assessment=hard if name == "tap new" else good))
    ReviewSession(made, "ruth").reject("reading of rejected", "water", "dipped in rinse water")
    for id_, amends in (("first", None), ("second", "first")):
        keep(made, IssuedReport(id=id_, reading="reading of tap new", at=NOW, account=ACCOUNT, facts=(), amends=amends))
    keep(made, IssuedReport(id="other", reading="reading of outlet new", at=NOW, account=ACCOUNT, facts=()))
    return made


def names(found: WithdrawalImpact) -> list[str]:
    return [r.id.removeprefix("reading of ") for r in found.readings]


def test_a_chart_lists_readings_verdicts_reports_and_points(store: Store, charts: dict[str, str]) -> None:
    found = withdrawal_impact(store, "chart", charts["B"])
    assert names(found) == ["no point", "tap new", "outlet old"], "valid ones, latest first"
    assert [r.id for r in found.reports] == ["second"], "the edition that is current"
    (outlet, tap) = found.retest
    assert (tap.point, tap.verdict, tap.without, tap.changes) == ("tap", "out-of-limits", "within-limits", True)
    assert (outlet.point, outlet.why, outlet.changes) == ("behind", "feed water affected", False)
    with_a = withdrawal_impact(store, "chart", charts["A"])
    assert [(p.point, p.why, p.without) for p in with_a.retest] == [
        ("behind", "latest result affected", "within-limits")]


def test_a_point_without_other_readings_would_not_be_assessed(store: Store, charts: dict[str, str]) -> None:
    ReviewSession(store, "ruth").reject("reading of tap old", "water", "another tap")
    (tap,) = withdrawal_impact(store, "chart", charts["B"]).changed
    assert (tap.point, tap.without) == ("tap", None)


def test_a_later_laboratory_result_is_current(store: Store, charts: dict[str, str], assessment: Assessment) -> None:
    """As in the status of the sites: a sample of the same day counts as the later result."""
    def sample(id_: str, days: int) -> SampleAssessment:
        return SampleAssessment(id=id_, point="tap", taken=NOW - timedelta(days=days), at=NOW, account=ACCOUNT,
                                results=(), assessment=msgspec.structs.replace(assessment, judgements=()))

    ReviewSession(store, "ruth").reject("reading of tap old", "water", "another tap")
    keep(store, sample("earlier", 3))
    (tap,) = withdrawal_impact(store, "chart", charts["B"]).changed
    assert (tap.point, tap.verdict, tap.without) == ("tap", "out-of-limits", "within-limits")
    keep(store, sample("same day", 2))
    assert withdrawal_impact(store, "chart", charts["B"]).retest == ()


@pytest.mark.parametrize(("material", "id_", "expected"), [
    ("tube", "A/1", ["outlet new"]), ("tube", "B/1", ["no point", "tap new", "outlet old"]),
    ("phone", "phone-3", ["tap new", "outlet old"])])
def test_a_tube_and_a_phone_list_theirs(store: Store, material: str, id_: str, expected: list[str]) -> None:
    assert names(withdrawal_impact(store, material, id_)) == expected  # type: ignore[arg-type]


def test_an_account_sees_what_is_at_its_sites(store: Store, charts: dict[str, str]) -> None:
    keep(store, SiteGroup(id="south", name="South"), Site(id="quay", name="Quay", group="south"))
    elsewhere = SiteAccess("someone", frozenset({"south"}))
    found = withdrawal_impact(store, "chart", charts["B"], elsewhere)
    assert (found.readings, found.reports, found.retest) == ((), (), ())


def test_what_is_not_there_is_rejected(store: Store) -> None:
    with pytest.raises(RecordsError, match="no such tube; found C/1"):
        withdrawal_impact(store, "tube", "C/1")


def test_the_command_lists_them(store: Store, charts: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    done = stripread("chart", "impact", charts["B"][:12])
    assert done.stdout.splitlines()[:3] == [
        (f"chart {charts['B'][:10]}: 3 affected readings, 1 verdict would change, 1 report to amend, "
        "2 sampling points to retest"),
        "to retest:", "  Mill Lane, behind the filter: within limits, compared with an affected feed water"]
    assert "  Mill Lane, tap: out of limits; without the affected readings within limits" in done.stdout
    as_json = msgspec.json.decode(stripread("chart", "impact", "--phone", "phone-3", "--json").stdout,
                                  type=WithdrawalImpact)
    assert as_json == withdrawal_impact(store, "phone", "phone-3")
    both = stripread("chart", "impact", "B", "--tube", "B/1")
    assert (both.returncode, "name one chart, or one of --tube and --phone" in both.stderr) == (2, True)
