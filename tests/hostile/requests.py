"""Requests at the limits of the types of their parameters, each drawn from a seed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote

import numpy as np

from stripread.web.app import ROUTES
from stripread.web.request import Endpoint
from tests.hostile.texts import NUMBERS, TEXTS

#: Parameters and form fields that acts read.
FIELDS: Final = ("site", "point", "batch", "tube", "since", "until", "dipped", "flag", "status", "verdict", "limit",
                 "before", "search", "name", "password", "roles", "active", "form", "why", "reading", "strip",
                 "decimal", "hardness", "scopes", "session", "token", "code", "next")
#: The calendar's ends, with and without zones, and what looks like a time.
TIMES: Final = ("0001-01-01T00:00:00+14:00", "0001-01-01T00:00:00-14:00", "9999-12-31T23:59:59-14:00",
                "9999-12-31T23:59:59+14:00", "1969-12-31T23:59:59Z", "2031-02-30T10:00:00Z", "2031-05-04", "2031-W18-7",
                "20310504T093000Z", "2031-05-04T09:30:00+99:99", "T", "2031-05-04T24:00:00Z", "2031-05-04T09:30:60Z")
#: No account signs out, and no password is changed: later requests need both.
_LEFT_OUT: Final = ("/sign-out", "/me/password", "/me/sessions")
_ACCEPTED: Final = ("text/html", "application/json", "*/*")


@dataclass(frozen=True, slots=True)
class Asked:
    """A request as a client sends it."""

    method: str
    path: str
    query: dict[str, str]
    form: dict[str, str] | None
    body: bytes
    accept: str


def request(number: int) -> Asked:
    """The request of that number."""
    draw = np.random.default_rng([number, 17])
    ways = [way for way in ROUTES if not way.path.startswith(_LEFT_OUT)]
    way = ways[number % len(ways)]
    fields = {FIELDS[draw.integers(len(FIELDS))]: _value(draw) for _ in range(int(draw.integers(0, 5)))}
    times = {name: TIMES[draw.integers(len(TIMES))] for name in ("since", "until", "dipped") if draw.random() < 0.3}
    takes_form = way.method == "POST" and draw.random() < 0.6
    return Asked(method=way.method, path=_path(way, draw), query={} if takes_form else fields | times,
                 form=fields | times if takes_form else None, body=draw.bytes(int(draw.integers(0, 2000))),
                 accept=_ACCEPTED[draw.integers(len(_ACCEPTED))])


def _value(draw: np.random.Generator) -> str:
    return str([*TEXTS, *TIMES, *NUMBERS][draw.integers(len(TEXTS) + len(TIMES) + len(NUMBERS))])[:4000]


def _path(way: Endpoint, draw: np.random.Generator) -> str:
    return re.sub(r"\{[^}]+\}", lambda _: quote(_value(draw)[:500] or "-", safe=""), way.path)
