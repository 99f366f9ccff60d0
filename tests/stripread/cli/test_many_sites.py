"""Due maintenance, status of sites, trends and comparison with a laboratory, by the command line."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from icalendar import Calendar

from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.cli.main import run
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import LabResult
from stripread.store.models.sites import Service, Unit
from stripread.store.store import Store
from tests.stripread.store.histories import (
    ACCOUNT,
    Value,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)

Capture = pytest.CaptureFixture[str]
#: The commands ask the clock: the history ends now.
TODAY = datetime.now(UTC)


@pytest.fixture(autouse=True)
def store(mill: Store, home: Path, sample_chart: Chart) -> Store:  # noqa: ARG001
    """A tap read weekly, thrice against a laboratory, and a filter installed 13 months ago."""
    chart = with_chart(mill, sample_chart, "A")["A"]
    for week in range(8):
        at = TODAY - timedelta(weeks=week)
        photograph = photograph_of(f"tap {week}", at, point="tap", batch="A")
        keep(mill, photograph, reading_of(photograph, {"hardness": Value(200.0 + week)}, chart=chart))
    keep(mill, *(LabResult(id=f"lab {week}", point="tap", taken=TODAY - timedelta(weeks=week), analyte="hardness",
                           value=198.0 + 2 * week, unit="mg/L CaCO3", u=2.0) for week in range(3)))
    keep(mill, Unit(id="filter", site="mill", catalogue="carbon-filter", unit=load_units()["carbon-filter"]),
         Service(id="installed", unit="filter", at=TODAY - timedelta(days=395), job="installed", account=ACCOUNT))
    return mill


def printed(capsys: Capture, *args: str) -> str:
    """What a command says that is done."""
    assert run([*args]) == 0
    return capsys.readouterr().out


def refused(capsys: Capture, *args: str) -> str:
    """What a command says that could not be done."""
    assert run([*args]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    return said.err


def test_due_list_calendar_and_shopping(tmp_path: Path, capsys: Capture) -> None:
    said = printed(capsys, "maintenance", "due", "--site", "Mill Lane", "--ics", str(tmp_path / "due.ics"))
    assert said.startswith("overdue on ")
    assert "Mill Lane: change the cartridge (particle and carbon filtration) (12 months since" in said
    shopping = printed(capsys, "maintenance", "shopping", "--site", "mill")
    assert "1 x particle and carbon filtration: price unknown" in shopping
    events = Calendar.from_ical((tmp_path / "due.ics").read_bytes()).walk("VEVENT")
    found = json.loads(printed(capsys, "maintenance", "due", "--site", "mill", "--json"))
    assert {str(e["summary"]).removeprefix("Mill Lane: ") for e in events} == {i["what"] for i in found["items"]}
    assert "no such group of sites" in refused(capsys, "maintenance", "due", "--group", "nowhere")
    (tmp_path / "a file").write_text("")
    assert "cannot be written" in refused(capsys, "maintenance", "due", "--ics", str(tmp_path / "a file" / "due.ics"))


def test_work_on_a_unit_is_noted_and_counts(capsys: Capture) -> None:
    day = f"{TODAY:%Y-%m-%d}"
    record = ("maintenance", "record", "filter")
    assert printed(capsys, *record, "cartridge changed", "--on", day, "--litres", "5200", "--note",
                 "drip tray wet") == f"{day}  cartridge changed; 5200 litres; drip tray wet\n"
    first, second = printed(capsys, "maintenance", "record", "filter").splitlines()
    assert (first[12:], second[:10]) == ("installed", day)
    assert "change the cartridge" not in printed(capsys, "maintenance", "due", "--site", "mill")
    assert "the day is in the future" in refused(capsys, *record, "cleaned", "--on", "2999-01-01")
    assert "no such treatment unit" in refused(capsys, "maintenance", "record", "boiler", "cleaned")


COMMANDS = ("sites status", "sites trend --point tap", "sites compare-lab", "maintenance due --weeks 60",
            "maintenance shopping", "maintenance record filter", "machines list", "readings list", "review queue",
            "strips list")


@pytest.mark.parametrize("columns", [60, 80, 120])
def test_output_fits_the_terminal(columns: int, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    for command in COMMANDS:
        lines = printed(capsys, *command.split()).splitlines()
        assert lines, command
        assert [line for line in lines if len(line) > columns] == [], command


def test_an_error_fits_the_terminal_and_names_the_nearest_id(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = refused(capsys, "maintenance", "record", "fliter").splitlines()
    assert [line for line in lines if len(line) > 80 and " " in line.strip()] == []
    assert "did you mean 'filter'?" in " ".join(" ".join(lines).split())


def test_overview_has_a_line_a_site(capsys: Capture) -> None:
    first, line = printed(capsys, "sites", "status", "--group", "North").splitlines()
    assert first.startswith("1 site on ")
    assert "1 not assessed; 1 with overdue tasks" in first
    assert line.split()[:4] == ["not", "assessed", "Mill", "Lane"]
    site, = json.loads(printed(capsys, "sites", "status", "--json"))["sites"]
    assert (site["site"], site["verdict"], site["overdue"]) == ("mill", None, 1)


def test_trend_in_words_numbers_and_a_drawing(tmp_path: Path, capsys: Capture) -> None:
    said = printed(capsys, "sites", "trend", "--site", "Mill Lane", "--point", "tap", "-o", str(tmp_path / "tap.svg"))
    assert said.splitlines()[0] == "Mill Lane, tap (mains)"
    assert "Measured at 8 visits" in said
    assert (tmp_path / "tap.svg").read_text(encoding="utf-8").lstrip().startswith("<svg xmlns")
    found = json.loads(printed(capsys, "sites", "trend", "--point", "tap", "--json"))
    assert [s["value"] for s in found["analytes"][0]["seen"]] == [200.0 + week for week in reversed(range(8))]
    assert "has no valid reading yet" in refused(capsys, "sites", "trend", "--point", "behind", "-o",
                                                             str(tmp_path / "none.svg"))
    assert not (tmp_path / "none.svg").exists()


def test_paired_results(capsys: Capture) -> None:
    said = printed(capsys, "sites", "compare-lab", "--site", "mill")
    assert said.startswith("hardness: 3 waters")
    assert "3 of 3 intervals contain the laboratory result" in said
    found, = json.loads(printed(capsys, "sites", "compare-lab", "--analyte", "hardness", "--days", "0.5", "--json"))
    assert [c["lab"]["id"] for c in found["couples"]] == ["lab 2", "lab 1", "lab 0"]
    assert "no laboratory result" in refused(capsys, "sites", "compare-lab", "--analyte", "ph")


def test_technicians_are_registered_qualified_and_due_again(
        store: Store, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(store, Account(id=ACCOUNT, roles=("administrator",)))
    monkeypatch.setenv("STRIPREAD_ACCOUNT", ACCOUNT)
    id_ = printed(capsys, "technicians", "register", "Ada Exampleworth").strip()
    assert f"{id_}  Ada Exampleworth: no qualification recorded" in printed(capsys, "technicians", "list")
    assert "qualify" not in printed(capsys, "maintenance", "due")
    ends = f"{TODAY + timedelta(days=10):%Y-%m-%d}"
    printed(capsys, "technicians", "qualify", id_, "qualified", "--until", ends, "--note", "12 strips")
    assert f"until {ends} (12 strips)" in printed(capsys, "technicians", "list")
    assert f"{ends}  qualify technician Ada Exampleworth (qualified until {ends})" in printed(
        capsys, "maintenance", "due")
    printed(capsys, "technicians", "qualify", id_, "not-qualified")
    assert json.loads(printed(capsys, "technicians", "list", "--json").splitlines()[0])["qualified"] is False
    printed(capsys, "accounts", "set-roles", id_, "reviewer")
    assert "does not have the role technician" in refused(capsys, "technicians", "qualify", id_, "qualified")
