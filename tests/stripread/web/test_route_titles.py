"""Each address opens its own page: a route table can be merged into one whose handlers are exchanged."""

from __future__ import annotations

import re

from stripread.store.models.accounts import ROLES
from stripread.web.app import ROUTES

from .conftest import Served
from .test_three_taps import NOT_PAGES

#: By address: what the page calls itself. The records are those of `records`.
TITLES = {
    "/": "Today", "/take": "Take a reading", "/queue": "Queue", "/readings": "Readings",
    "/readings/quay-2": "The Quay, tap The Quay · Reading quay-2", "/readings/quay-2/re-evaluate": "Re-evaluate",
    "/re-evaluation": "Re-evaluate readings", "/values": "Values from a meter or a titration",
    "/commissioning": "Commissioning", "/labels": "Print labels", "/schedule": "Maintenance schedule",
    "/review": "Review", "/review/quay-2": "Review",
    "/sites": "Sites", "/sites/map": "Map", "/sites/import": "Import tables", "/sites/intervals": "Test intervals",
    "/sites/assign": "Treatment units", "/sites/limits": "Sets of limits",
    "/sites/quay": "The Quay", "/batches": "Batches", "/batches/A": "A",
    "/batches/A/standards": "Standards A", "/batches/A/impact": "Impact of a withdrawal A", "/cards": "Cards",
    "/decisions": "Decisions", "/reports": "Reports", "/me": "My account", "/system": "System",
    "/accounts": "Accounts", "/help": "Manual",
    "/help/technician": "Technician: from the tap to the answer", "/integration": "Integration",
}
#: Documents for printing, which have no title of the pages; the page that needs the bytes of a photograph.
DOCUMENTS = {"/review/{reading}/locate", "/commissioning/sheet", "/sites/{site:path}/report",
             "/reports/groups/{group:path}", "/batches/{batch:path}/standards/sheet",
             "/batches/{batch:path}/standards/labels"}


def title(text: str) -> str:
    return str(re.findall(r"<title>(.*) · stripread</title>", text)[0])


#: Forms whose handler is not named like the last word of their address.
NAMED_OTHERWISE = {
    "/first": "account.take_first",
    "/take/uploads/{key}": "take.add_part",
    "/values": "typed_values.take",
    "/commissioning": "treatment.set_unit",
    "/schedule/done": "schedule.tick",
    "/readings/{reading}/report": "reports.issue",
    "/readings/{reading}/re-evaluate": "locate.supersede",
    "/sites/import": "bulk_change.import_table",
    "/sites/intervals": "schedule.set_intervals",
    "/sites/assign": "bulk_change.set_units",
    "/sites/limits": "bulk_change.set_limits",
    "/batches": "batches.add",
    "/batches/{batch:path}/standards/photographs": "standards.add",
    "/cards": "cards.begin",
    "/cards/profile": "cards.characterise",
    "/cards/photographs": "cards.inspect",
    "/decisions": "treatment.propose",
    "/decisions/stock": "treatment.count_stock",
    "/decisions/{decision}": "treatment.advance",
    "/me/preferences": "account.set_preferences",
    "/me/password": "account.set_password",
    "/me/sessions": "account.close_session",
    "/me/tokens": "account.make_token",
    "/me/tokens/end": "account.end_token",
    "/system/backup": "administration.back_up_now",
    "/system/integrity": "administration.check_integrity",
    "/system/tasks/{task}/stop": "administration.stop_task",
    "/accounts": "administration.add_account",
    "/accounts/{account}": "administration.change_account",
    "/accounts/{account}/groups": "administration.restrict_account",
    "/accounts/{account}/sign-in": "administration.add_sign_in",
    "/accounts/{account}/password": "administration.set_password",
}


def test_each_address_opens_its_own_page(stocked: Served) -> None:
    browser = stocked.role(*ROLES)
    assert {path: title(browser.get(path, follow_redirects=True).text) for path in TITLES} == TITLES
    pages = {r.path for r in ROUTES if r.method == "GET" and not NOT_PAGES.search(r.path)} - DOCUMENTS
    patterns = [re.compile(re.sub(r"\\{.*?\\}", "[^/]+", re.escape(page)) + "$") for page in pages]
    assert [p.pattern for p in patterns if not any(p.match(path) for path in TITLES)] == []


def test_the_first_account_and_the_sign_in(served: Served) -> None:
    """Without accounts the sign-in leads to the creation of the first one; each form is sent to its own address."""
    stranger = served.browser()
    assert title(stranger.get("/sign-in", follow_redirects=True).text) == "Set up stripread"
    assert 'name="code"' in stranger.get("/first").text
    served.role("technician")
    served.app.code = ""
    assert title(stranger.get("/sign-in").text) == "Sign in"
    assert 'action="/sign-in"' in stranger.get("/sign-in").text


def test_each_form_is_handled_by_its_own_function() -> None:
    """Two handlers that are exchanged differ from their addresses, which the pages of this file cannot show."""
    handlers = {r.path: f"{r.handler.__module__.rpartition('.')[2]}.{r.handler.__name__}"
                for r in ROUTES if r.method == "POST" and not r.of_api}
    last = {path: re.sub("[^a-z]", "_", re.findall("/([^/{}]+)", path)[-1]) for path in handlers}
    assert {p: h for p, h in handlers.items() if h.partition(".")[2] != last[p]} == NAMED_OTHERWISE
    assert len(set(handlers.values())) == len(handlers)
