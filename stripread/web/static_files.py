"""Static files by name, with addresses that change with their content, so that browsers cache them without expiry."""

from __future__ import annotations

import hashlib
import json
import re
from functools import cache
from importlib.resources import files
from typing import Final

from stripread.web.messages import load_messages

#: Media type by file extension.
TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
                ".png": "image/png"}
#: Scripts of all pages of a technician, in their order, loaded as one file.
_QUEUE: Final = ("page.js", "outbox-store.js", "outbox.js", "outbox-view.js")
#: Not a static file: its address must not change.
_WORKER: Final = "service-worker.js"
#: What the service worker does not store: it is large, or only for pages that need a connection.
_ONLINE_ONLY: Final = frozenset({"report.css", "waiting.js"})


@cache
def _folder() -> dict[str, bytes]:
    return {file.name: _without_margins(file.name, file.read_bytes())
            for file in (files("stripread.web") / "static").iterdir() if file.name.endswith(tuple(TYPES))}


@cache
def contents() -> dict[str, bytes]:
    """Return all static files by name."""
    parts = ("outbox-store.js", "outbox.js", "outbox-view.js", "timer.js", _WORKER)
    return {**{name: text for name, text in _folder().items() if name not in parts},
            "queue.js": b"".join(_folder()[name] for name in _QUEUE),
            "take-later.js": _later_words() + _folder()["timer.js"] + _folder()["take-later.js"],
            "waiting.js": _folder()["outbox-store.js"] + _folder()["waiting.js"], "report.css": _nested_report_styles()}


@cache
def asset(name: str) -> str:
    """Return the address of a file."""
    return f"/static/{hashlib.sha256(contents()[name]).hexdigest()[:12]}/{name}"


@cache
def worker_script() -> bytes:
    """Return the service worker with the addresses of the files that it stores."""
    stored = [asset(name) for name in sorted(contents()) if name not in _ONLINE_ONLY]
    return _folder()[_WORKER].replace(b"__ASSETS__", json.dumps(stored).encode())


def _later_words() -> bytes:
    """Return the texts of the later steps of a reading as a script, so that the first screen need not carry them."""
    return b"window.takeWords=" + json.dumps(load_messages().section("later-script")).encode() + b";\n"


def _without_margins(name: str, text: bytes) -> bytes:
    """Return a script or style sheet without comments, indentation and spaces between rules."""
    if name.endswith(".js"):
        return re.sub(rb"^\s*//[^\n]*\n|^[ \t]+|[ \t]+// [^\n]*$", b"", text, flags=re.MULTILINE)
    if name.endswith(".css"):
        bare = re.sub(rb"/\*.*?\*/", b"", text, flags=re.DOTALL)
        return re.sub(rb"\s*([{};])\s*", rb"\1", bare).replace(b": ", b":")
    return text


def _nested_report_styles() -> bytes:
    """Return the style sheet of reports for a part of a page, an element of class ``report``."""
    text = (files("stripread.report") / "templates" / "style.css").read_text(encoding="utf-8")
    return f".report {{ {text.replace(':root', '&')} }}".encode()
