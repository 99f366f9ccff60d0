"""Pictures of README and manual: `make pictures`.

Taken from the photographs of `make demo` and their report, from the pages of the sample company (`page_pictures.py`),
and from the steps of the field card (`field_card.py`).
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import cv2
from playwright.sync_api import Browser, Playwright, sync_playwright

from tests.documents import MANUAL, prepare, run
from tests.field_card import card_html
from tests.page_pictures import take_pages

PICTURES: Final = MANUAL / "pictures"
#: Pictures of README, which a test takes again.
OF_README: Final = ("reading.jpg", "strip-on-card.jpg")
_OPTIONS: Final = ("--disable-gpu", "--disable-background-networking")
_QUALITY: Final = 82


@contextmanager
def browser(playwright: Playwright, chromium: str) -> Iterator[Browser]:
    """Run a browser."""
    opened = playwright.chromium.launch(executable_path=chromium, args=list(_OPTIONS))
    yield opened
    opened.close()


def take(folder: Path, desk: Path, opened: Browser) -> None:
    """Write the pictures of README to ``folder``; in ``desk``, `make demo` was run."""
    page = opened.new_page(viewport={"width": 1120, "height": 900})
    page.goto((desk / "demo-out" / "chalkstep-corner.html").as_uri())
    page.screenshot(path=folder / "reading.jpg", type="jpeg", quality=_QUALITY)
    page.close()
    strip = cv2.imread(str(desk / "demo-out" / "chalkstep-corner.png"))
    assert strip is not None
    small = cv2.resize(strip, None, fx=900 / strip.shape[1], fy=900 / strip.shape[1], interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(folder / "strip-on-card.jpg"), small, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])


def print_field_card(file: Path, opened: Browser) -> None:
    """Write the technician's field card as a PDF of one page."""
    page = opened.new_page()
    page.set_content(card_html())
    page.pdf(path=file, prefer_css_page_size=True)
    page.close()


def main() -> None:
    """Take all pictures. Chromium must be installed. An argument names a folder with a built sample company."""
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("chromium is not installed; on Debian: apt-get install chromium")
    with (tempfile.TemporaryDirectory() as folder, sync_playwright() as running,
          browser(running, chromium) as opened):
        desk = prepare(Path(folder))
        run("make demo", desk)
        take(PICTURES, desk, opened)
        print_field_card(PICTURES / "field-card.pdf", opened)
        take_pages(PICTURES, Path(sys.argv[1]) if len(sys.argv) > 1 else desk / "demo-out", opened)


if __name__ == "__main__":
    main()
