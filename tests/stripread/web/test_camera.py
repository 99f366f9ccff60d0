"""The camera of the page: framing help, the shutter, a camera that is denied."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from playwright.sync_api import Page, expect

from stripread.store.models.evidence import Photograph

from .conftest import Served, to_dip

#: What the framing help finds in a picture, reduced as it reduces the camera's.
JUDGE = """async (bytes) => {
    const bitmap = await createImageBitmap(new Blob([new Uint8Array(bytes)]));
    const canvas = new OffscreenCanvas(480, Math.round(480 * bitmap.height / bitmap.width));
    const context = canvas.getContext("2d");
    context.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
    return framing.judge(context.getImageData(0, 0, canvas.width, canvas.height));
}"""


def test_framing_help_finds_the_markers(page: Page, samples: Path) -> None:
    """On rendered photographs at the size of the camera picture: all four, with one hidden, overexposed, black."""
    page.goto("/take")
    page.evaluate("take.load('framing')")
    faults = [samples / "faults" / f"{name}.jpg" for name in ("overexposed", "one-marker-hidden")]
    seen = {path.stem: page.evaluate(JUDGE, list(path.read_bytes()))
            for path in (*(samples / "sites").glob("*.jpg"), *faults)}
    hints = {name: found["hint"] for name, found in seen.items()}
    assert (hints.pop("one-marker-hidden"), hints.pop("overexposed")) == ("markers", "glare")
    assert len(hints) >= 8
    assert set(hints.values()) == {"good"}
    assert all(len(seen[name]["found"]) == 4 for name in hints)
    assert page.evaluate("framing.judge(new ImageData(480, 360)).hint") == "dark"


#: A camera that shows a photograph.
CAMERA = """async (bytes) => {
    const bitmap = await createImageBitmap(new Blob([new Uint8Array(bytes)]));
    const canvas = document.createElement("canvas");
    canvas.width = bitmap.width;
    canvas.height = bitmap.height;
    setInterval(() => canvas.getContext("2d").drawImage(bitmap, 0, 0), 100);
    navigator.mediaDevices.getUserMedia = async () => canvas.captureStream(10);
}"""


def test_the_camera_of_the_page(page: Page, bench: Served, account: str, samples: Path) -> None:
    """The hint, the time left until the reading window opens, the shutter, the result."""
    to_dip(page)
    page.evaluate(CAMERA, list((samples / "sites" / "mill-yard.jpg").read_bytes()))
    page.get_by_role("button", name="Dipped").click()
    page.get_by_role("button", name="Photograph", exact=True).click()
    expect(page.locator(".cam .hint")).to_have_text("Good. Take the photograph.")
    expect(page.locator("#time-left")).to_contain_text("opens in")
    page.get_by_role("button", name="Take the photograph").click()
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    (photograph,) = bench.store.find(Photograph, account=account)
    assert photograph.dipped is not None
    assert photograph.exposed is not None  # the picture has its time, by the same clock
    assert dt.timedelta() <= photograph.exposed - photograph.dipped < dt.timedelta(minutes=10)


def test_a_denied_camera_leaves_the_camera_app(page: Page) -> None:
    page.add_init_script("navigator.mediaDevices.getUserMedia = async () => { throw new Error('NotAllowedError'); };")
    to_dip(page)
    page.get_by_role("button", name="Dipped").click()
    page.get_by_role("button", name="Photograph", exact=True).click()
    expect(page.locator("#problem")).to_contain_text("The camera is not available to this page. Use the camera app")
    expect(page.locator("#pick")).to_have_class("btn go")
    expect(page.get_by_role("button", name="Photograph", exact=True)).to_be_hidden()
