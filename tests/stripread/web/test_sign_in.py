"""First run, coming in and leaving; what may be tried how often; how long a session lasts."""

from __future__ import annotations

from datetime import timedelta
from html import unescape
from pathlib import Path

import pytest
from sqlalchemy import delete

from shared.errors import InputError
from shared.notation import PLAIN
from stripread.cli.store import current_account
from stripread.store import sessions
from stripread.store.accounts import create_account, list_accounts
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES, Account
from stripread.store.schema import ATTEMPTS
from stripread.store.settings import Settings
from stripread.store.sign_ins import unlogged_transaction
from stripread.web.authentication import LONGEST, SHORTEST
from stripread.web.refusals import BY_ADDRESS, BY_BOTH, BY_KNOWN_PLACE, BY_NAME, Attempt, FailureCounter, HTTPRefusal

from .conftest import CHEAP, PASSWORD, Browser, Served, store_in


def sign_in(browser: Browser, name: str, password: str = PASSWORD, to: str = "/") -> tuple[int, str]:
    answer = browser.post("/sign-in", name=name, password=password, next=to)
    return answer.status_code, answer.headers.get("location", "")


def begin(served: Served, **changed: str) -> tuple[int, str]:
    fields = {"code": served.app.code, "name": "Ines of the Mill", "sign-in": "Ines", "password": PASSWORD}
    answer = served.browser().post("/first", **{**fields, **changed})
    return answer.status_code, answer.text


def test_the_first_person_has_read_the_terminal(served: Served) -> None:
    code = served.app.code
    assert served.browser().get("/sign-in").headers["location"] == "/first"
    assert begin(served, code="AAAA-BBBB-CCCC")[0] == 422
    assert begin(served, password="short")[0] == 422
    assert not list_accounts(served.store)
    assert begin(served, code=code.lower().replace("-", " "))[0] == 303
    (person,) = list_accounts(served.store)
    assert (person.name, person.sign_in, person.roles) == ("Ines of the Mill", "ines", ROLES)
    assert begin(served, code=code)[0] == 303  # to the sign-in: the code is used up
    assert len(list_accounts(served.store)) == 1
    assert not verify_store(served.store).wrong


def test_the_account_of_the_command_line_becomes_the_first_persons(served: Served) -> None:
    """Not a second one in addition: what was done there remains that account's."""
    made = current_account(served.store, Settings(database="", photographs=""), lambda _: None)
    assert begin(served)[0] == 303
    assert [p.account for p in list_accounts(served.store)] == [made]


def test_the_code_cannot_be_guessed_often(served: Served) -> None:
    statuses = [begin(served, code=f"AAAA-AAAA-AAA{n}")[0] for n in range(BY_BOTH.failures + 1)]
    assert statuses == [422] * BY_BOTH.failures + [429]
    assert begin(served)[0] == 429


def test_in_and_out(served: Served) -> None:
    served.app.code = ""
    account = served.account("technician", name="Ines of the Mill")
    browser = served.browser()
    assert sign_in(browser, " Person 0", to="/me?x=1") == (303, "/me?x=1")
    cookie = next(iter(browser.client.cookies.jar))
    assert cookie.has_nonstandard_attr("HttpOnly")
    assert cookie.get_nonstandard_attr("SameSite") == "lax"
    assert "Ines of the Mill" in browser.get("/").text
    inside = Browser(browser.client, str(cookie.value))
    assert inside.post("/sign-out").headers["location"] == "/sign-in"
    browser.client.cookies.set("session", str(cookie.value))
    assert browser.get("/").status_code == 303, "the session is over, not only forgotten by the browser"
    assert not sessions.open_sessions(served.store, account)


def test_no_response_reveals_which_was_wrong(served: Served) -> None:
    served.app.code = ""
    served.account("technician")
    wrong = served.browser().post("/sign-in", name="person 0", password="not the password")
    unknown = served.browser().post("/sign-in", name="person 7", password="not the password")
    assert wrong.status_code == unknown.status_code == 401
    assert wrong.text.replace("person 0", "") == unknown.text.replace("person 7", "")


@pytest.mark.parametrize("to", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "me", ""])
def test_redirects_remain_on_this_host(served: Served, to: str) -> None:
    served.app.code = ""
    served.account("technician")
    assert sign_in(served.browser(), "person 0", to=to) == (303, "/")


def test_a_password_cannot_be_guessed_often(served: Served) -> None:
    """By name and address; another name from there, and the right password later, still come in."""
    served.app.code = ""
    served.account("technician")
    served.account("technician")
    wrong = [sign_in(served.browser(), "person 0", "a wrong password")[0] for _ in range(BY_BOTH.failures)]
    assert wrong == [401] * BY_BOTH.failures
    refused = served.browser().post("/sign-in", name="Person 0 ", password=PASSWORD)
    assert refused.status_code == 429
    assert 0 < int(refused.headers["retry-after"]) <= BY_BOTH.pause_s + 1
    assert sign_in(served.browser(), "person 1")[0] == 303


def test_attempts_are_slowed_down_and_not_locked_out(tmp_path: Path) -> None:
    now = [0.0]
    failures = FailureCounter(store_in(tmp_path), lambda: now[0])
    for number in range(BY_ADDRESS.failures):
        failures.note(Attempt(f"name {number}", "192.0.2.1"))
    with pytest.raises(HTTPRefusal):
        failures.check(Attempt("another", "192.0.2.1"))
    failures.check(Attempt("another", "192.0.2.2"))
    now[0] = BY_ADDRESS.pause_s + 1
    failures.check(Attempt("another", "192.0.2.1"))


def attack(failures: FailureCounter, name: str, addresses: int, each: int) -> None:
    """Wrong passwords for one account from several addresses."""
    for number in range(addresses * each):
        failures.note(Attempt(name, f"198.51.100.{number % addresses}"))


def test_an_attacker_with_many_addresses_locks_no_account(tmp_path: Path) -> None:
    """Twelve addresses: an address that has signed in before is not even slowed down, others wait a minute at most."""
    now = [0.0]
    failures = FailureCounter(store_in(tmp_path), lambda: now[0])
    failures.forgive(Attempt("ines", "192.0.2.1"))
    attack(failures, "ines", addresses=12, each=5)
    failures.check(Attempt("ines", "192.0.2.1"))
    failures.check(Attempt("ines", "203.0.113.9", device="hers"))
    with pytest.raises(HTTPRefusal):
        failures.check(Attempt("ines", "203.0.113.9"))
    now[0] += BY_NAME.pause_s + 1
    failures.check(Attempt("ines", "203.0.113.9"))


def test_a_known_place_is_slowed_down_by_its_own_failures(tmp_path: Path) -> None:
    """An attacker who has the phone, or sits in the same network, gets a try each half minute."""
    now = [0.0]
    failures = FailureCounter(store_in(tmp_path), lambda: now[0])
    failures.forgive(Attempt("ines", "192.0.2.1"))
    for known in (Attempt("ines", "192.0.2.1"), Attempt("ines", "203.0.113.9", device="hers")):
        for _ in range(BY_KNOWN_PLACE.failures):
            failures.check(known)
            failures.note(known)
        with pytest.raises(HTTPRefusal):
            failures.check(known)
        now[0] += BY_KNOWN_PLACE.pause_s + 1
        failures.check(known)


def test_a_device_that_has_signed_in_still_does(served: Served) -> None:
    """By its cookie, also after the server has started again; not by another account's, nor by a forged one."""
    served.app.code = ""
    served.account("technician")
    served.account("technician")
    hers, other = served.browser(), served.browser()
    assert sign_in(hers, "person 0")[0] == sign_in(other, "person 1")[0] == 303
    device = dict(hers.client.cookies)["device"]
    for browser in (hers, other):
        browser.client.cookies.delete("session")
    with unlogged_transaction(served.store) as connection:
        connection.execute(delete(ATTEMPTS))  # the address is not known any more
    attack(served.app.failures, "person 0", addresses=12, each=5)
    for _ in range(BY_BOTH.failures):
        served.app.failures.note(Attempt("person 0", "127.0.0.1"))
    forged = served.browser()
    forged.client.cookies.set("device", device[:-1] + ("0" if device[-1] != "0" else "1"))
    for refused in (served.browser(), other, forged):
        assert refused.post("/sign-in", name="person 0", password=PASSWORD).status_code == 429
    assert sign_in(hers, "person 0")[0] == 303


def test_a_session_ends(served: Served) -> None:
    """Unused for its idle time, or at its longest however much it was used."""
    account, store = served.account("technician"), served.store
    start, now = store.clock(), [store.clock()]
    store.clock = lambda: now[0]
    idle, used = (sessions.open_session(store, account, "test") for _ in range(2))
    while now[0] < start + sessions.LONGEST - sessions.IDLE / 2:
        now[0] += sessions.IDLE / 2
        found = sessions.find_session(store, used)
        assert found is not None
        sessions.note_use(store, found)
    assert sessions.find_session(store, idle) is None
    now[0] = start + sessions.LONGEST + timedelta(seconds=1)
    assert sessions.find_session(store, used) is None


def test_a_form_of_an_expired_session_is_reported_as_lost(served: Served) -> None:
    """After sign-in, the page that the form was on; a form of another site's page leads home."""
    served.app.code = ""
    browser = served.browser()
    for referer, back in ((f"{served.url}/decisions?state=open", "/decisions?state=open"),
                          ("https://elsewhere.example/decisions", "/")):
        answer = browser.send("POST", "/decisions", data={"site": "quay"}, headers={"referer": referer})
        assert answer.status_code == 303
        page = browser.get(answer.headers["location"]).text
        assert "Your session expired; nothing was stored." in page
        assert f'name="next" value="{back}"' in page
    assert "nothing was stored" not in browser.get(browser.get("/decisions").headers["location"]).text


def test_a_closed_account_is_out_at_once(served: Served) -> None:
    administrator, other = served.role("administrator"), served.account("technician")
    theirs = served.browser(other)
    assert theirs.get("/").status_code == 200
    assert administrator.post(f"/accounts/{other}", role="technician", active="no").status_code == 303
    assert theirs.get("/").status_code == 303
    assert sign_in(served.browser(), "person 1")[0] == 401
    assert served.store.get(Account, other).active is False


def test_somebody_can_always_look_after_accounts(served: Served) -> None:
    """The only administrator can neither be closed nor lose the role."""
    account = served.account("administrator")
    only = served.browser(account)
    for fields in ({"role": "administrator", "active": "no"}, {"role": "technician", "active": "yes"}):
        assert only.post(f"/accounts/{account}", **fields).status_code == 422
    assert served.store.get(Account, account).roles == ("administrator",)


def token_of(served: Served, account: str) -> Browser:
    """A program with a token of an account."""
    secret = sessions.make_token(served.store, account, "a program", ("readings:read",))
    return served.browser(authorization=f"Bearer {secret}")


def test_tokens_are_listed_in_words(served: Served) -> None:
    account = served.account("manager")
    sessions.make_token(served.store, account, "till", ("sites:read", "metrics"))
    (token,) = sessions.tokens_of(served.store, account)
    text = unescape(served.browser(account).get("/me").text)
    assert f"valid until {PLAIN.day(token.expires.date())}; permissions: view sites, due items and decisions, " in text


def test_a_reactivated_account_does_not_get_its_tokens_back(served: Served) -> None:
    administrator, other = served.role("administrator"), served.account("technician")
    program = token_of(served, other)
    assert program.get("/api/readings").status_code == 200
    for fields in ({"active": "no"}, {"active": "yes"}):
        assert administrator.post(f"/accounts/{other}", role="technician", **fields).status_code == 303
    assert program.get("/api/readings").status_code == 401
    assert sign_in(served.browser(), "person 1")[0] == 303


@pytest.mark.parametrize(("path", "fields"), [
    ("password", {"password": "another bucket of water"}), ("end-sessions", {})])
def test_an_administrator_ends_another_s_sessions_and_tokens(served: Served, path: str, fields: dict[str, str]) -> None:
    administrator, other = served.role("administrator"), served.account("technician")
    theirs, program = served.browser(other), token_of(served, other)
    assert administrator.post(f"/accounts/{other}/{path}", **fields).status_code == 303
    assert theirs.get("/").status_code == 303
    assert program.get("/api/readings").status_code == 401
    assert administrator.get("/accounts").status_code == 200


def test_an_account_of_the_command_line_is_given_a_sign_in(served: Served) -> None:
    administrator = served.account("administrator")
    made = create_account(served.store, "Bo", ["technician"], by=administrator).id
    pages = served.browser(administrator)
    asked = {"sign-in": "Bo", "password": PASSWORD}
    assert f"/accounts/{made}/sign-in" in pages.get("/accounts", params={"search": "bo", "role": "technician"}).text
    assert f"/accounts/{made}/sign-in" not in pages.get("/accounts?role=reviewer").text
    assert made in pages.get("/accounts?format=csv&sort=used").text
    assert pages.post(f"/accounts/{made}/sign-in", **asked).status_code == 303
    assert pages.post(f"/accounts/{made}/sign-in", **asked).status_code == 422
    served.app.code = ""
    assert sign_in(served.browser(), "bo")[0] == 303


def test_the_first_run_is_over_once_the_command_line_gave_a_sign_in(served: Served) -> None:
    """The code on the terminal opens nothing any more, though the server was not started again."""
    code = served.app.code
    served.account("administrator")
    assert begin(served, code=code)[0] == 303
    assert len(list_accounts(served.store)) == 1


def test_a_new_password_ends_the_other_sessions(served: Served) -> None:
    account = served.account("technician")
    here, there = served.browser(account), served.browser(account)
    assert here.post("/me/password", present="wrong one, sorry", password="another bucket of water").status_code == 422
    assert here.post("/me/password", present=PASSWORD, password="another bucket of water").status_code == 303
    assert here.get("/").status_code == 200
    assert there.get("/").status_code == 303
    served.app.code = ""
    assert sign_in(served.browser(), "person 0")[0] == 401
    assert sign_in(served.browser(), "person 0", "another bucket of water")[0] == 303


def test_secrets_lie_in_the_store_as_hashes_only(served: Served) -> None:
    """A copy of the database opens nothing."""
    browser = served.role("technician")
    with served.store.viewing() as connection:
        kept = "\n".join(connection.connection.iterdump())
    assert browser.secret not in kept
    assert PASSWORD not in kept
    assert "$argon2id$" in kept


@pytest.mark.parametrize("length", [SHORTEST - 1, LONGEST + 1])
def test_a_password_has_a_length(length: int) -> None:
    """NIST SP 800-63B (2017), 5.1.1.2: at least 8, and at least 64 must be taken; from memory."""
    with pytest.raises(InputError):
        CHEAP.hash("x" * length)
