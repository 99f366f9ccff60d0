"""Decisions, stock and withdrawals by the command line, from the proposal to the verified installation."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from assess import Assessment
from calibration.chart import Chart
from stripread.store.models.accounts import ROLES, Account
from stripread.store.models.evidence import StoredAssessment
from stripread.store.store import Store
from tests.stripread.cli.inside import stripread
from tests.stripread.store.histories import (
    ACCOUNT,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
    with_site,
)


@pytest.fixture
def store(tmp_path: Path, sample_chart: Chart, assessment: Assessment, monkeypatch: pytest.MonkeyPatch
          ) -> Iterator[Store]:
    """A site with a reading of tomorrow, within limits: the commands ask the clock."""
    made = with_site(empty_store(tmp_path))
    keep(made, Account(id=ACCOUNT, roles=ROLES))
    photograph = photograph_of("tap", datetime.now(UTC) + timedelta(days=1), point="tap", batch="A")
    reading = reading_of(photograph, {"hardness": Value(60.0)}, chart=with_chart(made, sample_chart, "A")["A"])
    keep(made, photograph, reading, StoredAssessment(
        id="a", reading=reading.id, at=reading.at, account=ACCOUNT,
        assessment=msgspec.structs.replace(assessment, judgements=())))
    monkeypatch.setenv("STRIPREAD_DATABASE", made.engine.url.render_as_string())
    yield made
    made.close()


def done(*args: str) -> str:
    found = stripread(*args)
    assert found.returncode == 0, found.stderr
    return found.stdout


def failed(*args: str) -> str:
    found = stripread(*args)
    assert found.returncode == 2
    return found.stderr


@pytest.mark.usefixtures("store")
def test_a_decision_is_followed_from_proposal_to_verification() -> None:
    assert done("maintenance", "decide") == "no decisions\n"
    assert "no action is recommended for this site" in failed("maintenance", "decide", "mill")
    made = json.loads(done("maintenance", "decide", "Mill Lane", "--what", "install an exchanger", "--unit",
                           "weak-acid-exchange", "--setting", "0.3", "--quantity", "2", "--json"))
    id_ = made["id"]
    decide = ("maintenance", "decide", id_)
    assert "a choice that differs from the recommendation needs a reason" in failed(*decide, "chosen")
    assert "cannot become verified; found verified; allowed: chosen, closed" in failed(*decide, "verified")
    assert done(*decide, "chosen", "--why", "lowest cost").startswith(f"{id_[:8]}  chosen     ")
    (line,) = json.loads(done("maintenance", "shopping", "--json"))["lines"]
    assert (line["catalogue"], line["to_buy"]) == ("weak-acid-exchange", 2)
    assert done("maintenance", "stock", "weak-acid-exchange", "1") == "1 x weak-acid-exchange in stock\n"
    (line,) = json.loads(done("maintenance", "shopping", "--json"))["lines"]
    assert (line["in_stock"], line["to_buy"]) == (1, 1)
    done(*decide, "installed")
    assert "next " in (status := done("sites", "status"))
    assert "test to verify the installation: an exchanger" in status
    assert "a verification needs a reading" in failed(*decide, "verified")
    done(*decide, "verified", "--reading", "reading of tap")
    assert done("maintenance", "decide").split()[1] == "verified"


@pytest.mark.usefixtures("store")
def test_what_cannot_be_decided_or_counted_is_rejected() -> None:
    assert "no such treatment unit; found wonder" in failed("maintenance", "stock", "wonder", "1")
    assert "no such" in failed("maintenance", "decide", "nowhere", "--what", "x")
    assert "this unit has no setting" in failed("maintenance", "decide", "mill", "--what", "x", "--unit",
                                                "carbon-filter", "--setting", "0.3")


def test_an_own_reading_is_withdrawn_and_restored(store: Store) -> None:
    """A withdrawn reading counts for nothing, and is retained."""
    assert "a reason is required" in failed("readings", "withdraw", "reading of tap")
    assert done("readings", "withdraw", "reading of tap", "--why", "rinse water").endswith("withdrawn\n")
    assert "no reading" in done("sites", "status")
    assert done("readings", "withdraw", "reading of tap", "--restore").endswith("restored\n")
    assert "tap" in done("sites", "status")
    assert len(store.ids(StoredAssessment)) == 1
