"""Decisions on the page: from proposal to verification, what cannot follow is refused, and the stock of units."""

from __future__ import annotations

import re

import pytest

from stripread.store.accounts import restrict_account
from stripread.store.models.sites import TreatmentDecision, UnitStock

from .conftest import Browser, Served
from .records import HOSTILE


@pytest.fixture
def manager(stocked: Served) -> Browser:
    return stocked.role("manager")


def latest(served: Served) -> TreatmentDecision:
    return max(served.store.find(TreatmentDecision), key=lambda d: d.steps[0].at)


def test_a_decision_from_proposal_to_installation(stocked: Served, manager: Browser) -> None:
    made = manager.post("/decisions", site="quay", what="Install a softener", why="Hard water",
                         catalogue="carbon-filter")
    assert made.status_code == 303
    decision = latest(stocked)
    assert (decision.site, decision.what, decision.state) == ("quay", "Install a softener", "proposed")
    page = manager.get("/decisions").text
    assert "Install a softener" in page
    assert "Hard water" in page
    manager.post("/decisions/stock", catalogue="carbon-filter", count="3")
    manager.post(f"/decisions/{decision.id}", state="chosen", why="Agreed with the owner.")
    for state in ("ordered", "installed"):
        assert manager.post(f"/decisions/{decision.id}", state=state).status_code == 303
    assert latest(stocked).state == "installed"
    assert stocked.store.get(UnitStock, "carbon-filter").count == 2
    rows = manager.get("/decisions", params={"state": "open", "format": "csv"}).text
    assert re.search(rf"^{decision.id},quay,The Quay,Install a softener,", rows, re.MULTILINE)


def test_what_cannot_follow_is_refused(stocked: Served, manager: Browser) -> None:
    manager.post("/decisions", site="hostile", what=HOSTILE)
    decision = latest(stocked)
    for given in ({"state": "verified"}, {"state": "splendid"}, {"state": "chosen", "why": " "}):
        assert manager.post(f"/decisions/{decision.id}", **given).status_code == 422
    assert latest(stocked).state == "proposed"
    assert HOSTILE not in manager.get("/decisions").text
    for count in ("-1", "many", ""):
        assert manager.post("/decisions/stock", catalogue="carbon-filter", count=count).status_code == 422
    assert manager.post("/decisions/stock", catalogue="no such unit", count="1").status_code == 422
    assert manager.post("/decisions/none-such", state="closed").status_code == 404


def test_a_rejected_form_has_its_message_and_what_was_typed(stocked: Served, manager: Browser) -> None:
    """For people: no id and no option of a command; the address of the form opens the page."""
    manager.post("/decisions", site="quay", what="Something of one's own")
    decision = latest(stocked)
    answer = manager.post(f"/decisions/{decision.id}", state="chosen", why="")
    own = answer.text[answer.text.index("Something of one&#39;s own"):]
    assert own.index("Enter a reason") < own.index(f'action="/decisions/{decision.id}"') < own.index("autofocus")
    assert "--why" not in answer.text
    assert f"decision {decision.id}" not in answer.text
    for given in ({"state": "chosen", "why": "Agreed."}, {"state": "chosen", "why": "Again, <in> another tab"}):
        answer = manager.post(f"/decisions/{decision.id}", **given)
    assert answer.status_code == 422
    assert "the decision has changed since this page was loaded" in answer.text
    assert 'value="Again, &lt;in&gt; another tab"' in answer.text
    answer = manager.post("/decisions/stock", catalogue="carbon-filter", count="a dozen")
    assert re.search(r'name="count" value="a dozen" aria-invalid="true" autofocus', answer.text)
    assert '<option value="carbon-filter" selected>' in answer.text
    for path in (f"/decisions/{decision.id}", "/decisions/stock"):
        assert manager.get(path).headers["location"] == "/decisions"


def test_a_restricted_manager_decides_at_the_own_sites(stocked: Served, manager: Browser) -> None:
    manager.post("/decisions", site="long", what="Only in the south")
    decision, account = latest(stocked), stocked.account("manager")
    restrict_account(stocked.store, account, ["north"], by=stocked.account("administrator"))
    north = stocked.browser(account)
    assert "Only in the south" not in north.get("/decisions").text
    assert north.post(f"/decisions/{decision.id}", state="closed").status_code == 404
    assert north.post("/decisions", site="long", what="x").status_code == 404
