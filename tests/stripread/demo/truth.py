"""Readings of the sample company's store compared with the values from which their photographs were rendered."""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from stripread.demo import story
from stripread.demo.story import Excerpt
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.store import Store


def distances(store: Store, start: date, part: Excerpt = story.WHOLE) -> dict[str, list[float]]:
    """Distance of each true value from the interval measured for it, in widths of that, by analyte; 0: inside."""
    visits = {visit.name(start): visit for visit in story.visits(part)}
    names = {p.id: p.name for p in store.find(Photograph)}
    found: dict[str, list[float]] = defaultdict(list)
    for reading in store.find(StoredReading):
        visit = visits.get(names[reading.photograph])
        for value in reading.reading.values() if visit is not None else ():
            true = visit.values[value.analyte] if visit else 0.0
            found[value.analyte].append(max(value.low - true, true - value.high, 0.0) / (value.high - value.low))
    return found
