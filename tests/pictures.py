"""Pictures of README and manual, taken from the photographs of `make demo` and their report: `make pictures`."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Final

import cv2
from playwright.sync_api import sync_playwright

from tests.documents import MANUAL, prepare, run

PICTURES: Final = MANUAL / "pictures"
_OPTIONS: Final = ("--disable-gpu", "--disable-background-networking")
_QUALITY: Final = 82


def take(folder: Path, desk: Path, chromium: str) -> None:
    """Write all pictures to ``folder``; in ``desk``, `make demo` was run."""
    folder.mkdir(exist_ok=True)
    with sync_playwright() as running:
        browser = running.chromium.launch(executable_path=chromium, args=list(_OPTIONS))
        page = browser.new_page(viewport={"width": 1120, "height": 900})
        page.goto((desk / "demo-out" / "chalkstep-corner.html").as_uri())
        page.screenshot(path=folder / "reading.jpg", type="jpeg", quality=_QUALITY)
        browser.close()
    strip = cv2.imread(str(desk / "demo-out" / "chalkstep-corner.png"))
    assert strip is not None
    small = cv2.resize(strip, None, fx=900 / strip.shape[1], fy=900 / strip.shape[1], interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(folder / "strip-on-card.jpg"), small, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])


def main() -> None:
    """Take the pictures that the documents show. Chromium must be installed."""
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("chromium is not installed; on Debian: apt-get install chromium")
    with tempfile.TemporaryDirectory() as folder:
        desk = prepare(Path(folder))
        run("make demo", desk)
        take(PICTURES, desk, chromium)


if __name__ == "__main__":
    main()
