"""What each sampling point gave before: the values that a reading is held against."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from sqlalchemy import ColumnElement, select

from stripread.monitoring.valid_readings import is_valid_sql, latest_of_each
from stripread.store.models.evidence import StoredReading
from stripread.store.models.value_summary import ValueSummary, decode_summary
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store

#: An analyte at a sampling point; its values with the ids of their readings, in the order of time.
Histories = Mapping[tuple[str, str], list[tuple[str, ValueSummary]]]
_READINGS = RECORD_TYPES[StoredReading].table


def histories(store: Store, most: int, where: tuple[ColumnElement[bool], ...] = ()) -> Histories:
    """Of the points that ``where`` leaves, the values of the latest ``most`` readings of each that count."""
    latest = latest_of_each(most, *is_valid_sql(store.review), *where)
    query = (select(latest.c.point, latest.c.reading, _READINGS.c.brief)
             .join(_READINGS, _READINGS.c.id == latest.c.reading).order_by(latest.c.point, latest.c.place.desc()))
    found: dict[tuple[str, str], list[tuple[str, ValueSummary]]] = defaultdict(list)
    with store.viewing() as connection:
        for row in connection.execute(query).all():
            for value in decode_summary(row.brief):
                found[row.point, value.analyte].append((row.reading, value))
    return found
