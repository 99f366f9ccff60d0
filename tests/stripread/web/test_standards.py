"""Standards of a batch on pages: planned, photographs matched, one excluded, the chart fitted and checked."""

from __future__ import annotations

import csv
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import httpx
import pytest
from playwright.sync_api import Page, expect

from calibration.labels import Label
from stripread.intake.materials_import import import_file
from stripread.intake.standards import standards_of
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredCheckResult, StoredReading
from stripread.store.models.materials import PrintRun, StoredChart
from stripread.web.worker import Workers
from tests.labels import photographed, printed

from .conftest import DESK, Browser, Open, Served, serving, store_in
from .records import HOSTILE

BATCH = "2031-A"
HERE = f"/batches/{BATCH}/standards"
#: Standard, light of the samples' buffers of pH 6 to 9; and their check standards.
BUFFERS = [(f"P{n:02d}", "window") for n in (1, 2, 4, 5, 6, 8)]
CHECKS = [(f"C{n:02d}", "window") for n in (1, 2, 3)]


def plan_of(samples: Path, batch: str = BATCH) -> str:
    """The plan of the samples' buffers; without uncertain temperature their tolerance is their uncertainty."""
    lines = (samples / "standards" / "standards.csv").read_text(encoding="utf-8").splitlines()
    rows = {r["standard"]: r for r in csv.DictReader(lines)}
    head = (f'format = "standards-plan/1"\ntitle = "Buffers"\nbatch = "{batch}"\nlights = ["window", "lamp"]\n'
            '[balance]\nid = "b"\nreadability_mg = 0.1\nlinearity_mg = 0.2\nrepeatability_mg = 0.1\nsmallest_mg = 100\n'
            'capacity_g = 220\n[[flask]]\nid = "F1"\nvolume_ml = 1000\ntolerance_ml = 0.4\n')
    return head + "".join(
        f'[[buffer]]\nid = "{name}"\nrole = "{rows[name]["role"]}"\nph = {rows[name]["ph"]}\n'
        f'lot = "L1"\ntolerance = {float(rows[name]["u(ph)"]) * 3 ** 0.5}\n'
        for name in dict.fromkeys(n for n, _ in (*BUFFERS, *CHECKS)))


@pytest.fixture(scope="module")
def laboratory(tmp_path_factory: pytest.TempPathFactory, workers: Workers, samples: Path) -> Iterator[Served]:
    """A server with a card profile; an analyst records the batch and its plan on pages."""
    with serving(store_in(tmp_path_factory.mktemp("laboratory")), workers) as running:
        running.app.code = ""
        analyst = running.account("analyst")
        import_file(running.store, analyst, samples / "card-run-007.txt")
        browser = running.browser(analyst)
        made = browser.post("/batches", batch=BATCH, expires="2033-01-31", keeps="90")
        assert (made.status_code, made.headers["location"]) == (303, HERE)
        assert browser.post(f"{HERE}/plan", plan=plan_of(samples)).status_code == 303
        yield running


def send(browser: Browser, photo: Path | bytes, name: str, **given: str) -> httpx.Response:
    content = photo if isinstance(photo, bytes) else photo.read_bytes()
    return browser.send("POST", f"{HERE}/photographs", params={"name": name, **given}, content=content,
                        headers={"accept": "application/json"})


def labelled(samples: Path, label: Label) -> bytes:
    picture = cv2.imread(str(samples / "standards" / "P01-window.jpg"))
    assert picture is not None
    there = photographed(picture.astype("uint8"), printed(label), at=(105, 105), side=150, turned=12)
    return cv2.imencode(".jpg", there, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()


def test_a_batch_is_recorded_once_and_a_hostile_one_is_harmless(laboratory: Served) -> None:
    analyst = laboratory.role("analyst")
    assert "a batch with this ID exists already" in analyst.post("/batches", batch=BATCH).text
    for fields in ({"batch": ""}, {"batch": "a\x07b"}, {"batch": "B", "expires": "soon"}):
        assert analyst.post("/batches", **fields).status_code == 422
    answer = analyst.post("/batches", batch=HOSTILE)
    assert answer.status_code == 303
    page = analyst.client.get(answer.headers["location"])
    assert page.status_code == 200
    assert HOSTILE not in page.text


def test_a_plan_is_checked(laboratory: Served, samples: Path) -> None:
    analyst = laboratory.role("analyst")
    for text, said in (("nonsense", "is not valid TOML"), (plan_of(samples, "another"), "the plan is of another batch"),
                       (plan_of(samples).replace("ph = 6\n", "ph = 16\n"), "14"), ("x" * 50_000, "too large")):
        answer = analyst.post(f"{HERE}/plan", plan=text)
        assert answer.status_code == 422
        assert said in answer.text
    assert {s.standard for s in standards_of(laboratory.store, BATCH).solutions} == {n for n, _ in (*BUFFERS, *CHECKS)}
    for page, said in (("sheet", "Buffers"), ("labels", "<svg")):
        answer = analyst.get(f"{HERE}/{page}")
        assert answer.status_code == 200
        assert said in answer.text


def test_photographs_are_matched_by_label(laboratory: Served, samples: Path) -> None:
    """Without a label, with one of another batch, or of another standard than stated, nothing is stored."""
    analyst = laboratory.role("analyst")
    photo = samples / "standards" / "P01-window.jpg"
    for content, given, said in (
            (photo, {"light": "window"}, "no label was found"), (photo, {"light": " ", "standard": "P01"}, "light"),
            (photo, {"light": "window", "standard": "X99"}, "does not contain this standard"),
            (b"no picture", {"light": "window"}, "photo"),
            (labelled(samples, Label("P01", "other")), {"light": "window"}, "another batch"),
            (labelled(samples, Label("P01", BATCH)), {"light": "window", "standard": "P02"}, "another standard")):
        answer = send(analyst, content, "x.jpg", **given)
        assert answer.status_code == 422
        assert said in answer.text
    assert laboratory.store.find(Photograph) == []
    answer = send(analyst, labelled(samples, Label("P01", BATCH)), HOSTILE, light="window")
    assert answer.json()["text"] == "P01, window"
    assert HOSTILE not in analyst.get(HERE).text
    (photograph,) = laboratory.store.find(Photograph)
    assert (photograph.standard, photograph.batch) == ("P01", BATCH)
    done = analyst.post(f"{HERE}/exclude", sha256=photograph.id, why="trial of the label")
    assert done.status_code == 303
    assert analyst.post(f"{HERE}/exclude", sha256="0" * 64, why="x").status_code == 422
    assert analyst.post(f"{HERE}/exclude", sha256=photograph.id, why="").status_code == 422


def test_the_chart_is_fitted_without_what_is_excluded_and_checked(laboratory: Served, samples: Path) -> None:
    """The chart's levels are those of the samples' table; check standards are read on it, and on a second fit."""
    analyst, store = laboratory.role("analyst"), laboratory.store
    for standard, light in (*BUFFERS, *CHECKS):
        answer = send(analyst, samples / "standards" / f"{standard}-{light}.jpg", f"{standard}-{light}.jpg",
                      light=light, standard=standard)
        assert answer.status_code == 200, answer.text
    (profile,) = store.ids(PrintRun)
    assert "6 photographs; 3 photographs of check standards" in fitted(analyst, profile)["outcome"]
    (first,) = store.find(StoredChart)
    (curve,) = first.chart.curves
    assert [level.value for level in curve.levels] == [6.0, 6.4, 7.2, 7.6, 8.0, 9.0]
    assert {e.why for e in first.chart.conditions.excluded} == {"trial of the label"}
    checks = store.find(StoredCheckResult)
    assert {(c.standard, c.known) for c in checks} == {("C01", 7.2), ("C02", 7.6), ("C03", 7.4)}
    assert all(abs(c.u - 0.02) < 1e-6 for c in checks)
    one = next(p for p in standards_of(store, BATCH).photographs if p.standard == "P08" and not p.excluded)
    assert analyst.post(f"{HERE}/exclude", sha256=one.photograph, why="strip lay face down").status_code == 303
    assert "strip lay face down" in analyst.get(HERE).text
    assert fitted(analyst, profile)["wrong"] == ""
    second = max(store.find(StoredChart), key=lambda c: c.at)
    assert (second.chart.conditions.photographs, len(second.chart.conditions.excluded)) == (5, 2)
    read_on = {store.get(StoredReading, c.reading or "").chart for c in store.find(StoredCheckResult)}
    assert read_on == {second.id}
    assert "Check standards" in analyst.get(f"/batches/{BATCH}").text
    assert verify_store(store).wrong == ""


def fitted(analyst: Browser, profile: str) -> dict[str, str]:
    """Start a fit and poll it to its end, as the page does."""
    assert analyst.post(f"{HERE}/fit", profile=profile).status_code == 303
    for _ in range(1200):
        state: dict[str, str] = analyst.get(f"{HERE}/progress").json()
        if state["finished"]:
            return state
        time.sleep(0.1)
    raise AssertionError(state)


#: On a slow connection a file is chosen before the page's scripts are loaded; this one is no photograph.
CHOSEN_EARLY = """document.addEventListener("readystatechange", () => {
  const input = document.getElementById("files"), files = new DataTransfer();
  if (document.readyState !== "interactive") return;
  files.items.add(new File(["x"], "early.jpg", {type: "image/jpeg"}));
  for (const field of input.form.querySelectorAll("input[type=text], input:not([type])")) field.value = "window";
  input.files = files.files;
});"""


def test_the_daily_task_of_an_analyst(laboratory: Served, samples: Path, open_page: Open) -> None:
    """In a browser: batch, plan, photographs by file, fit, release gate, release; it ends with a released chart."""
    batch = "2031-B"
    page = open_page(laboratory, DESK, account=laboratory.account("analyst"))
    page.goto("/batches")
    page.get_by_text("New batch").click()
    page.get_by_label("Batch, as printed on the tubes").fill(batch)
    page.get_by_label("Expiry date").fill("2033-01-31")
    page.get_by_role("button", name="Record batch").click()
    page.get_by_label("Plan (TOML)").fill(plan_of(samples, batch))
    page.get_by_role("button", name="Compute standards").click()
    expect(page.get_by_text("Photographs are missing for 9 of 9 solutions.")).to_be_visible()
    slow = page.context.new_page()
    slow.add_init_script(CHOSEN_EARLY)
    slow.goto(page.url)
    expect(slow.get_by_text("early.jpg: ")).to_be_visible()
    slow.close()
    drop(page, "window", [samples / "standards" / f"{name}-window.jpg" for name, _ in BUFFERS])
    for light in ("halogen-phone-2", "fluorescent-cam-g"):
        drop(page, light.partition("-")[0], [samples / "checks" / f"C{n:02d}-{light}.jpg" for n in (1, 2, 3)])
    page.get_by_role("button", name="Fit chart").click()
    expect(page.get_by_text("Chart fitted to 6 photographs; 6 photographs of check")).to_be_visible()
    page.get_by_role("link", name="Show residuals").click()
    page.get_by_text("Release", exact=True).click()
    page.get_by_label("Last day of the release").fill("2032-12-31")
    page.get_by_label("Reason").first.fill("check standards passed")
    page.get_by_role("button", name="Release chart").click()
    expect(page.get_by_text("Released", exact=True).first).to_be_visible()


def drop(page: Page, light: str, photographs: list[Path]) -> None:
    """Add photographs one by one as those of their standards, as if each had no readable label."""
    for photo in photographs:
        page.get_by_label("Light").fill(light)
        page.get_by_label("Standard", exact=True).select_option(photo.name[:3])
        with page.expect_navigation():
            page.locator("#files").set_input_files(photo)
