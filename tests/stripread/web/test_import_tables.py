"""Tables imported on the page, intervals set for many points: first shown, then written; wrong rows change nothing."""

from __future__ import annotations

from tempfile import gettempdir

from stripread.store.accounts import restrict_account
from stripread.store.models.sites import SamplingPoint, Site

from .conftest import Served

TABLE = "site\tname\tlatitude\tlongitude\nmole\tThe Mole\t48,2\t16,4\n"


def test_a_pasted_table_is_shown_before_it_is_written(stocked: Served) -> None:
    manager, store = stocked.role("manager"), stocked.store
    preview = manager.post("/sites/import", table=TABLE)
    assert preview.status_code == 200
    assert "1 of 1 rows add or change a record" in preview.text
    assert not store.find(Site, id="mole")
    assert manager.post("/sites/import", table=TABLE, confirmed="yes").status_code == 303
    mole = store.get(Site, "mole")
    assert (mole.name, mole.latitude, mole.longitude) == ("The Mole", 48.2, 16.4)
    assert "0 of 1 rows" in manager.post("/sites/import", table=TABLE).text
    changed = manager.post("/sites/import", table=TABLE.replace("The Mole", "Mole End")).text
    assert "name: The Mole → Mole End" in changed


def test_a_wrong_row_is_named_and_nothing_is_written(stocked: Served) -> None:
    manager, head = stocked.role("manager"), stocked.store.head()
    cases = (("site,name,latitude\nx,X,91\n", "latitude"), ("splendid,name\nx,X\n", "splendid"), ("", "table"))
    for table, words in cases:
        answer = manager.post("/sites/import", table=table, confirmed="yes")
        assert answer.status_code == 422
        assert words in answer.text
        assert gettempdir() not in answer.text
    assert stocked.store.head() == head


def test_a_restricted_manager_imports_nothing(stocked: Served) -> None:
    account = stocked.account("manager")
    restrict_account(stocked.store, account, ["north"], by=stocked.account("administrator"))
    manager = stocked.browser(account)
    assert manager.get("/sites/import").status_code == 403
    assert manager.post("/sites/import", table=TABLE, confirmed="yes").status_code == 403


def test_one_interval_for_many_points(stocked: Served) -> None:
    manager, store = stocked.role("manager"), stocked.store
    points = ["quay-tap", "long-tap"]
    preview = manager.send("POST", "/sites/intervals", data={"point": points, "days": "45"})
    assert "2 intervals change" in preview.text
    assert store.get(SamplingPoint, "quay-tap").every_days is None
    given = {"point": points, "days": "45", "confirmed": "yes"}
    assert manager.send("POST", "/sites/intervals", data=given).status_code == 303
    assert {p.id for p in store.find(SamplingPoint) if p.every_days == 45} == set(points)
    for wrong in ({"point": points, "days": "0"}, {"point": points, "days": "soon"}, {"days": "30"}):
        assert manager.send("POST", "/sites/intervals", data=wrong).status_code == 422
