"""Tables imported on the page, intervals set for many points: first shown, then written; wrong rows change nothing."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import product
from tempfile import gettempdir

import pytest

from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.notation import PLAIN
from stripread.intake.reassess import AssessmentChange, preview_changes
from stripread.intake.terms import limit_sets, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.status import status_of
from stripread.operations.assignment import limit_changes, put_limits
from stripread.reading.executors import SERIAL, Executor, Given, Job, Result
from stripread.store.accounts import restrict_account
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import LimitAssignment, SamplingPoint, Service, Site, SiteGroup, Unit
from stripread.store.site_access import ALL_SITES
from stripread.store.store import Store
from stripread.web.worker import WorkerExecutor

from .conftest import Served
from .records import fill

TABLE = "site\tname\tlatitude\tlongitude\nmole\tThe Mole\t48,2\t16,4\n"


def test_a_pasted_table_is_shown_before_it_is_written(stocked: Served) -> None:
    manager, store = stocked.role("manager"), stocked.store
    preview = manager.post("/sites/import", table=TABLE)
    assert preview.status_code == 200
    assert "1 of 1 rows add or change a record" in preview.text
    assert not store.find(Site, id="mole")
    assert "Imported. Rows: " in manager.post("/sites/import", table=TABLE, confirmed="yes").text
    mole = store.get(Site, "mole")
    assert (mole.name, mole.latitude, mole.longitude) == ("The Mole", 48.2, 16.4)
    assert "0 of 1 rows" in manager.post("/sites/import", table=TABLE).text
    changed = manager.post("/sites/import", table=TABLE.replace("The Mole", "Mole End")).text
    assert "name: The Mole → Mole End" in changed


def test_a_wrong_row_is_named_and_nothing_is_written(stocked: Served) -> None:
    manager, head = stocked.role("manager"), stocked.store.head()
    cases = (("site,name,latitude\nx,X,91\n", "latitude"), ("splendid,name\nx,X\n", "splendid"), ("", "table"),
             ("site,name,group\nx,X,no-such\n", "no such group"))
    for (table, words), given in product(cases, ({}, {"confirmed": "yes"})):
        answer = manager.post("/sites/import", table=table, **given)
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


def test_one_unit_for_many_points(served: Served, sample_chart: Chart) -> None:
    """With a preview; the unit that it replaces is removed, and a second assignment changes nothing."""
    account, store = served.account("manager", name="Orla"), served.store
    fill(store, account, sample_chart)
    served.app.code = ""
    with store.writing(account) as work:
        work.put(Unit(id="old", site="quay", catalogue="carbon-filter", unit=load_units()["carbon-filter"]), "made")
        for site in ("quay", "long"):
            work.put(SamplingPoint(id=f"{site}-out", site=site, place="after treatment", name="outlet"), "made")
    manager, points = served.browser(account), ["quay-out", "long-out"]
    given: dict[str, object] = {"point": points, "catalogue": "weak-acid-exchange"}
    preview = manager.send("POST", "/sites/assign", data=given).text
    assert "2 sampling points get another unit" in preview
    assert [u.id for u in store.find(Unit)] == ["old"]
    done = manager.send("POST", "/sites/assign", data={**given, "confirmed": "yes"}).text
    assert "Unit assigned. Sampling points: 2" in done
    assert "No assessment changed." in done
    assert {(u.site, u.catalogue) for u in store.find(Unit) if u.id != "old"} == {
        ("quay", "weak-acid-exchange"), ("long", "weak-acid-exchange")}
    assert {store.get(Unit, store.get(SamplingPoint, p).unit or "").site for p in points} == {"quay", "long"}
    assert [s.job for s in store.find(Service, unit="old")] == ["removed"]
    assert "0 sampling points get another unit" in manager.send("POST", "/sites/assign", data=given).text
    for wrong in ({"catalogue": "weak-acid-exchange"}, {"point": points, "catalogue": "none-such"},
                  {"point": ["quay-tap"], "catalogue": "weak-acid-exchange"}):
        assert manager.send("POST", "/sites/assign", data=wrong).status_code == 422


def test_one_set_of_limits_for_many_points(served: Served, sample_chart: Chart) -> None:
    """With a preview; it applies from its day on, and the set of the company again from a later one."""
    account, store = served.account("manager", name="Orla"), served.store
    fill(store, account, sample_chart)
    served.app.code = ""
    manager, points = served.browser(account), ["quay-tap", "long-tap"]
    day, later = store.clock().date(), store.clock().date() + timedelta(days=30)
    name = min(limit_sets(own_terms(store)))
    given: dict[str, object] = {"point": points, "limits": name, "since": str(day)}
    assert "2 sampling points get another set" in manager.send("POST", "/sites/limits", data=given).text
    assert not store.get(SamplingPoint, "quay-tap").limits
    assert manager.send("POST", "/sites/limits", data={**given, "confirmed": "yes"}).status_code == 200
    assert [store.get(SamplingPoint, p).limits_on(day) for p in points] == [name, name]
    assert "0 sampling points get another set" in manager.send("POST", "/sites/limits", data=given).text
    back: dict[str, object] = {"point": points[:1], "limits": "", "since": str(later), "confirmed": "yes"}
    assert "Set of limits assigned. Sampling points: 1" in manager.send("POST", "/sites/limits", data=back).text
    assert [store.get(SamplingPoint, "quay-tap").limits_on(d) for d in (day, later)] == [name, None]
    for wrong in ({"limits": name, "since": str(day)}, {**given, "limits": "none-such"}, {**given, "since": "soon"}):
        assert manager.send("POST", "/sites/limits", data=wrong).status_code == 422


def test_assessments_that_a_set_of_limits_changes_are_listed(served: Served, sample_chart: Chart) -> None:
    """Each with its verdict before and after, as they are stored."""
    account, store = served.account("manager", name="Orla"), served.store
    fill(store, account, sample_chart)
    served.app.code = ""
    before = {a.id for a in store.find(StoredAssessment)}
    given: dict[str, object] = {"point": ["quay-tap", "long-tap"], "limits": min(limit_sets(own_terms(store))),
                                "since": str(store.clock().date() - timedelta(days=900))}
    head = store.head()
    preview = served.browser(account).send("POST", "/sites/limits", data=given).text
    assert store.head() == head
    done = served.browser(account).send("POST", "/sites/limits", data={**given, "confirmed": "yes"}).text
    made = [a for a in store.find(StoredAssessment) if a.id not in before]
    assert made
    assert f"Assessments changed: {len(made)}" in done
    assert all(f'href="/readings/{a.reading}"' in done for a in made)
    latest = {f"{site}-2" for site in ("quay", "long")} & {a.reading for a in made}
    assert f"Latest results whose assessment changes: {len(latest)}," in preview
    assert listed_rows(preview) == [row for row in listed_rows(done) if any(f'/{id_}"' in row for id_ in latest)] != []


def listed_rows(page: str) -> list[str]:
    """The rows of changed assessments: reading, place, day, verdicts, next step."""
    return re.findall(r'<li><a href="/readings/.*?</li>', page)


def test_the_effect_of_a_table_and_of_an_interval_is_shown_before_it_is_written(
    served: Served, sample_chart: Chart
) -> None:
    """A site gets a machine, so that its readings are assessed for it; a shorter interval brings its test forward."""
    account, store = served.account("manager", name="Orla"), served.store
    fill(store, account, sample_chart)
    served.app.code = ""
    manager, head = served.browser(account), store.head()
    table = "machine,site,profile\nbar,quay,heat-exchanger-espresso\n"
    previews = [manager.post("/sites/import", table=table).text,
                manager.send("POST", "/sites/intervals", data={"point": ["quay-tap"], "days": "2"}).text]
    assert store.head() == head
    rows = listed_rows(previews[0])
    done = listed_rows(manager.post("/sites/import", table=table, confirmed="yes").text)
    assert rows == [row for row in done if "/readings/quay-2" in row] != []
    shown = re.search(r"next test: (.+?) → (.+?)<", previews[1])
    assert shown
    manager.send("POST", "/sites/intervals", data={"point": ["quay-tap"], "days": "2", "confirmed": "yes"})
    (due,) = [i for i in status_of(store, load_intervals(), "quay").due if i.kind == "test"]
    assert shown[2] == PLAIN.day(due.on) != shown[1]


@dataclass(frozen=True, slots=True)
class WritingExecutor:
    """Stores a record before each job, as another account may."""

    store: Store
    account: str

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        for n, job in enumerate(jobs):
            with self.store.writing(self.account) as transaction:
                transaction.put(SiteGroup(id=f"group {n}", name="Another"), "made")
            yield work(given, job)


def test_a_preview_lets_others_write(served: Served, sample_chart: Chart, monkeypatch: pytest.MonkeyPatch) -> None:
    """While it assesses, and between two sites; the outcome is that of one piece, and of several workers."""
    account, store = served.account("manager", name="Orla"), served.store
    fill(store, account, sample_chart)
    since = store.clock().date() - timedelta(days=900)
    assigned = LimitAssignment(since=since, limits=min(limit_sets(own_terms(store))))
    changes = limit_changes(store, ALL_SITES, ["quay-tap", "long-tap", "hostile-tap"], assigned)

    def preview(executor: Executor) -> list[AssessmentChange]:
        return preview_changes(store, lambda trial: put_limits(trial, account, changes, assigned), 9, executor)

    whole = preview(SERIAL)
    assert len(whole) == len(changes) == 3
    monkeypatch.setattr("stripread.intake.reassess._COLLECTING_S", 0.0)
    assert preview(WritingExecutor(store, account)) == whole
    assert sum(group.name == "Another" for group in store.find(SiteGroup)) == len(whole)
    assert preview(WorkerExecutor(served.app.workers, at_once=2)) == whole
