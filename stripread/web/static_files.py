"""Texts of the pages, and static files by name.

For each language there is a file and a folder with a file by subject; each has a section and a key. Addresses of static
files change with their content, so that browsers cache them without expiry.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

#: Default language. A further language is a further file and folder with the same sections and keys.
LANGUAGE = "en"


class Messages:
    """Texts of one language: ``messages("sign-in.title")``; ``{name}`` in a text is filled in."""

    def __init__(self, texts: dict[str, dict[str, str]]) -> None:
        self.texts = texts

    def __call__(self, id_: str, **filled: object) -> str:
        """Return a text. Raises KeyError for an unknown key, which is a bug."""
        section, _, name = id_.partition(".")
        return self.texts[section][name].format(**filled)

    def section(self, name: str) -> dict[str, str]:
        """Return all texts of a section, for scripts."""
        return self.texts[name]


@cache
def load_messages(language: str = LANGUAGE) -> Messages:
    """Return the texts of a language."""
    home = files("stripread.web") / "messages"
    return Messages(joined_sections((home / f"{language}.toml", *(home / language).iterdir())))


def joined_sections(message_files: Iterable[Traversable]) -> dict[str, dict[str, str]]:
    """Return the sections of message files by name. Raises ValueError for a section that two files define."""
    sections: dict[str, dict[str, str]] = {}
    for file in message_files:
        for section, texts in tomllib.loads(file.read_text(encoding="utf-8")).items():
            if section in sections:
                raise ValueError(f"{file.name}: section [{section}] is defined in another message file as well")
            sections[section] = texts
    return sections


#: Media type by file extension.
TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
                ".png": "image/png"}
#: Scripts of all pages of a technician, in their order, loaded as one file; what sends the queue is apart.
_QUEUE: Final = ("page.js", "outbox-store.js", "outbox-entries.js", "outbox-view.js")
#: Section of the messages that a script uses, put before it.
TEXTS: Final = {"outbox-entries.js": "script", "outbox.js": "sending-script", "take.js": "take-script",
                 "take-later.js": "later-script", "queue-page.js": "queue-script"}
#: Not a static file: its address must not change.
_WORKER: Final = "service-worker.js"
#: What the service worker does not store: it is large, or only for pages that need a connection.
_ONLINE_ONLY: Final = frozenset({"report.css", "waiting.js", "details.js", "progress.js", "upload.js", "pick.js",
                                   "re-evaluation.js"})


@cache
def _folder() -> dict[str, bytes]:
    return {file.name: _texts(file.name) + _without_margins(file.name, file.read_bytes())
            for file in (files("stripread.web") / "static").iterdir() if file.name.endswith(tuple(TYPES))}


@cache
def contents() -> dict[str, bytes]:
    """Return all static files by name."""
    parts = ("outbox-store.js", "outbox-entries.js", "outbox-view.js", "timer.js", "take-answer.js", _WORKER)
    queue = b"".join(_folder()[name] for name in _QUEUE)
    return {**{name: text for name, text in _folder().items() if name not in parts},
            "queue.js": queue.replace(b"__outbox.js__", _address("outbox.js", _folder()["outbox.js"]).encode()),
            "take-later.js": b"".join(_folder()[name] for name in ("timer.js", "take-answer.js", "take-later.js")),
            "waiting.js": _folder()["outbox-store.js"] + _folder()["waiting.js"], "report.css": _nested_report_styles()}


@cache
def asset(name: str) -> str:
    """Return the address of a file."""
    return _address(name, contents()[name])


def _address(name: str, content: bytes) -> str:
    return f"/static/{hashlib.sha256(content).hexdigest()[:12]}/{name}"


@cache
def worker_script() -> bytes:
    """Return the service worker with the addresses of the files that it stores."""
    stored = [asset(name) for name in sorted(contents()) if name not in _ONLINE_ONLY]
    return _folder()[_WORKER].replace(b"__ASSETS__", json.dumps(stored).encode())


def _texts(name: str) -> bytes:
    """Return the texts of a script as a statement: no page need carry them, and browsers keep them."""
    if name not in TEXTS:
        return b""
    return b"Object.assign(outbox.messages," + json.dumps(load_messages().section(TEXTS[name])).encode() + b");\n"


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
