"""Pictures of the server's pages for the manual, taken from the sample company (`make pictures`)."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from playwright.sync_api import Browser

_QUALITY: Final = 72


@dataclass(frozen=True, slots=True)
class PagePicture:
    """A page as an account sees it; ``size``: width and height of the window, pixels."""

    name: str
    account: str
    path: str
    size: tuple[int, int]


PHONE: Final = (390, 780)
DESK: Final = (1280, 800)
PAGES: Final = (
    PagePicture("page-today", "technician", "/", PHONE),
    PagePicture("page-take", "technician", "/take", PHONE),
    PagePicture("page-sites", "manager", "/sites", DESK),
    PagePicture("page-site", "manager", "/sites/chalkstep-corner", DESK),
    PagePicture("page-schedule", "manager", "/schedule", DESK),
    PagePicture("page-review", "reviewer", "/review", DESK),
    PagePicture("page-batch", "analyst", "/batches/Q-103", DESK),
)


def take_pages(folder: Path, company: Path, browser: Browser) -> None:
    """Write a picture of each page to ``folder``; ``company``: folder of the sample company, built if it is missing."""
    with _served(company) as (address, passwords):
        for shown in PAGES:
            context = browser.new_context(viewport={"width": shown.size[0], "height": shown.size[1]})
            page = context.new_page()
            page.goto(f"{address}/sign-in")
            page.fill("input[name=name]", shown.account)
            page.fill("input[name=password]", passwords[shown.account])
            page.click("main button")
            page.goto(address + shown.path)
            page.wait_for_load_state("networkidle")
            page.screenshot(path=folder / f"{shown.name}.jpg", type="jpeg", quality=_QUALITY)
            context.close()


@contextmanager
def _served(company: Path) -> Iterator[tuple[str, dict[str, str]]]:
    """Serve the sample company while the pictures are taken; yield its address and the passwords by account."""
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen([sys.executable, "-m", "stripread", "serve", "--demo", "--demo-folder", str(company),
                               "--port", str(port), "--workers", "1"], stdout=subprocess.PIPE, text=True)
    try:
        yield f"http://127.0.0.1:{port}", _passwords(server)
    finally:
        server.terminate()
        server.wait(30)


def _passwords(server: subprocess.Popen[str]) -> dict[str, str]:
    """Read what the server prints until it serves."""
    found = dict[str, str]()
    assert server.stdout is not None
    for line in server.stdout:
        if account := re.match(r"\s+(\w+)\s+password (\S+)", line):
            found[account[1]] = account[2]
        elif found and "http" in line:
            return found
    raise RuntimeError("the server ended before it served the sample company")
