"""The queue: readings nobody has decided on yet, in the order in which they most need eyes, each with why.

First by the gravest doubt (`doubts.Doubt` has the order), then by how many there are, then the oldest. A reading about
which there is no doubt, and which the random share does not hold, is not in it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Final, get_args

import msgspec

from shared.flags import FLAGS
from stripread.records.kinds.brief import Brief
from stripread.records.review.doubts import Doubt, Found, against_history, drawn
from stripread.records.review.history import Seen, standing_readings
from stripread.records.review.standing import STANDINGS, Standing, standings
from stripread.records.settings import ReviewRules
from stripread.records.store import Store

#: A value beyond the range is a plain result, nothing to look at again.
_PLAIN_FLAGS: Final = frozenset({"below-range", "above-range"})
_ORDER: Final[tuple[Doubt, ...]] = get_args(Doubt)


class Why(msgspec.Struct, frozen=True):
    """One doubt, and what it is in words."""

    doubt: Doubt
    words: str


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """A reading in the queue; site and point are None where the photograph names none."""

    reading: str
    at: str
    status: str
    photo: str
    site: str | None
    point: str | None
    why: tuple[Why, ...]


def queue(store: Store, rules: ReviewRules, *, site: str | None = None, group: str | None = None) -> list[Entry]:
    """All that wait for review at a site or the sites of a group, or everywhere."""
    with store.viewing() as connection:
        stand = standings(connection, two=rules.two)
        all_ = [seen for seen in standing_readings(connection) if stand.get(seen.id) != "rejected"
                and site in (None, seen.site) and group in (None, seen.group)]
    odd = _history_doubts(all_)
    entries = [_entry(seen, [*_standing_doubts(seen, stand, rules), *odd[seen.id]])
               for seen in all_ if stand.get(seen.id) != "accepted"]
    return sorted((e for e in entries if e.why), key=_urgency)


def _history_doubts(readings: Iterable[Seen]) -> dict[str, list[Found]]:
    """What is odd about each reading for its sampling point; nothing, where the photograph names none."""
    series: dict[tuple[str, str], list[tuple[str, Brief]]] = defaultdict(list)
    for seen in readings:
        for value in seen.values if seen.point is not None else ():
            series[seen.point or "", value.analyte].append((seen.id, value))
    found: dict[str, list[Found]] = defaultdict(list)
    for run in series.values():
        for (id_, _), doubts in zip(run, against_history([value for _, value in run]), strict=True):
            found[id_] += doubts
    return found


def _standing_doubts(seen: Seen, stand: Mapping[str, Standing], rules: ReviewRules) -> Iterator[Found]:
    match stand.get(seen.id):
        case "waiting" | "disputed" as open_:
            yield Found(open_, STANDINGS[open_])
    for flag in seen.flags:
        if flag not in _PLAIN_FLAGS and seen.status == "read":
            yield Found("flags", FLAGS[flag].meaning)
    if seen.verdict == "undecided":
        yield Found("undecided", "a verdict is undecided")
    if seen.status == "refused":
        yield Found("refused", " ".join(("no value:", *(FLAGS[flag].meaning for flag in seen.flags))))
    if drawn(seen.id, rules):
        yield Found("drawn", f"drawn at random, {100 * rules.share:g} % of all")


def _entry(seen: Seen, found: list[Found]) -> Entry:
    found.sort(key=lambda f: _ORDER.index(f.doubt))
    return Entry(reading=seen.id, at=seen.at, status=seen.status, photo=seen.photo, site=seen.site, point=seen.point,
                 why=tuple(Why(*f) for f in found))


def _urgency(entry: Entry) -> tuple[int, int, str, str]:
    return _ORDER.index(entry.why[0].doubt), -len(entry.why), entry.at, entry.reading
