"""A photograph taken again: its reading supersedes that of the earlier photograph, and both are retained."""

from __future__ import annotations

from sqlalchemy import Connection, select

from stripread.intake.receive import SampleInfo
from stripread.reading.result import Reading
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.reading_status import superseding
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store

_READINGS = RECORD_TYPES[StoredReading].table
_REMEDY = "send it as a separate reading"


def check_retake(store: Store, by: str, reading: str, info: SampleInfo) -> None:
    """Raise RecordsError if a photograph with this information may not replace ``reading``."""
    found = store.find(StoredReading, id=reading)
    if not found:
        raise RecordsError("no such reading to replace", where="replaces", found=reading, remedy=_REMEDY)
    if found[0].account != by:
        raise RecordsError("only the account that took a photograph may replace it", where="replaces",
                           found=f"a reading by account {found[0].account}", remedy=_REMEDY)
    earlier = store.get(Photograph, found[0].photograph)
    if (earlier.point, earlier.batch) != (info.point, info.batch or earlier.batch):
        raise RecordsError("a replacement must be of the same sampling point and strip batch", where="replaces",
                           found=f"sampling point {info.point or 'none'}, batch {info.batch or 'not stated'}",
                           allowed=f"sampling point {earlier.point or 'none'}, batch {earlier.batch}", remedy=_REMEDY)


def replaced(connection: Connection, reading: str, retaken: Reading) -> str | None:
    """Return the reading that ``retaken`` supersedes: ``reading``, or what superseded it in the meantime.

    None if that reading has a result and the photograph taken again has none.
    """
    while (later := superseding(connection, reading)) is not None:
        reading = later
    earlier_status = connection.scalar(select(_READINGS.c.status).where(_READINGS.c.id == reading))
    return None if retaken.status == "no-result" and earlier_status == "measured" else reading
