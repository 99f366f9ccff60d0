"""What each sampling point gave before: the values that a reading is held against."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from sqlalchemy import ColumnElement, func, select

from stripread.records.kinds.brief import Brief, read_brief
from stripread.records.kinds.evidence import StoredReading
from stripread.records.schema import KINDS, LISTED
from stripread.records.store import Store
from stripread.records.trend.standing import stands

#: An analyte at a sampling point; its values with the ids of their readings, in the order of time.
Histories = Mapping[tuple[str, str], list[tuple[str, Brief]]]
_READINGS = KINDS[StoredReading].table


def histories(store: Store, most: int, *, two: bool, where: tuple[ColumnElement[bool], ...] = ()) -> Histories:
    """Of the points that ``where`` leaves, the values of the latest ``most`` readings of each that count."""
    c = LISTED.c
    latest = (c.sampled.desc(), c.at.desc(), c.reading.desc())
    place = func.row_number().over(partition_by=c.point, order_by=latest).label("place")
    ranked = select(c.point, c.reading, place).where(*stands(two=two), *where).subquery()
    query = (select(ranked.c.point, ranked.c.reading, _READINGS.c.brief)
             .join(_READINGS, _READINGS.c.id == ranked.c.reading).where(ranked.c.place <= most)
             .order_by(ranked.c.point, ranked.c.place.desc()))
    found: dict[tuple[str, str], list[tuple[str, Brief]]] = defaultdict(list)
    with store.viewing() as connection:
        for row in connection.execute(query):
            for value in read_brief(row.brief):
                found[row.point, value.analyte].append((row.reading, value))
    return found
