"""The few files that pages fetch: script, style, icon; each at an address that changes with its content."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from typing import Final

#: Of each ending, what it is.
TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}


@cache
def contents() -> dict[str, bytes]:
    """Every file by its name; the style of reports is that of pages too."""
    ours = {file.name: file.read_bytes() for file in (files("stripread.web") / "static").iterdir()
            if file.name.endswith(tuple(TYPES))}
    return {**ours, "report.css": (files("stripread.report") / "templates" / "style.css").read_bytes()}


@cache
def asset(name: str) -> str:
    """Address of a file, which browsers may keep for good."""
    return f"/static/{hashlib.sha256(contents()[name]).hexdigest()[:12]}/{name}"
