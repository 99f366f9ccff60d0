"""Reception of photographs, and their purge after the retention period.

Photograph and sample information are stored durably before the acknowledgement.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Final, Protocol

import msgspec

from stripread.reading.context import AHEAD, Dip, clock_flags, exposed
from stripread.reading.label import labels_in
from stripread.reading.photo_file import PhotoFile
from stripread.store.chart_selection import tube_in_use
from stripread.store.errors import RecordsError
from stripread.store.lookup import list_some
from stripread.store.models.evidence import Photograph
from stripread.store.models.materials import Batch, Card, Phone, Tube
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint
from stripread.store.photos import digest
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store


def receive(store: Store, photograph: Photograph, data: bytes) -> bool:
    """Store the bytes and the record of a photograph durably; return False if it was stored already.

    The bytes are stored first: a fault in between leaves unacknowledged bytes, never a record without its bytes.
    """
    if digest(data) != photograph.id or len(data) != photograph.size:
        raise RecordsError("the bytes do not match the record", where=photograph.name,
                           found=f"{len(data)} bytes, SHA-256 {digest(data)}")
    _reject_purged(store.find(Photograph, id=photograph.id))
    store.photographs.put(photograph.id, data)
    with store.writing(photograph.account) as transaction:
        return transaction.current(Photograph, photograph.id) is None and transaction.put(photograph, "received")


def delete_photo(store: Store, sha256: str, *, by: str, why: str) -> None:
    """Purge a photograph: delete its bytes permanently. Record, readings and audit trail (who, why) are retained.

    The record is changed first: after a fault in between, a new call completes the purge.
    """
    with store.writing(by) as transaction:
        photograph = transaction.current(Photograph, sha256)
        if photograph is None:
            raise RecordsError("no such photograph", where=store.where, found=sha256)
        if photograph.removed is None:
            transaction.put(msgspec.structs.replace(photograph, removed=transaction.now), "purged", why)
    store.photographs.remove(sha256)


def received_before(store: Store, moment: datetime) -> list[Photograph]:
    """Return the photographs received before a time whose bytes are still stored, in the order of their ids."""
    return [p for p in store.find(Photograph, removed=None) if p.received < moment]


def _reject_purged(known: Sequence[Photograph]) -> None:
    for photograph in known:
        if photograph.removed is not None:
            raise RecordsError("a purged photograph is not accepted again", where=photograph.name,
                               found=f"purged on {photograph.removed:%Y-%m-%d}")


class SampleInfo(msgspec.Struct, frozen=True, kw_only=True):
    """Information given with a photograph; fields as in `Photograph`.

    ``dipped``: by the phone's clock; local time if without a zone. ``batch``: None if a label in the picture shows it.
    """

    point: str | None = None
    batch: str | None = None
    dipped: datetime | None = None
    tube: str | None = None
    card: str | None = None
    phone: str | None = None
    standard: str | None = None
    note: str = ""


class PhotoInfo(msgspec.Struct, frozen=True, kw_only=True):
    """Information in a photograph: its hash, time and camera.

    ``batches``: batches of the labels in the picture, if they were searched for.
    """

    sha256: str
    taken: str | None
    camera: str | None
    batches: tuple[str, ...] = ()


def inspect_photo(file: PhotoFile, *, for_label: bool) -> PhotoInfo:
    """Decode a photograph and return its information. Raises PhotoError if it is not a photograph."""
    photo = file.decode()
    batches = sorted({label.batch for label in labels_in(photo.pixels)}) if for_label else ()
    return PhotoInfo(sha256=photo.sha256, taken=photo.taken, camera=photo.camera, batches=tuple(batches))


class Inspector(Protocol):
    """Inspects a photograph as `inspect_photo` does."""

    def __call__(self, file: PhotoFile, *, for_label: bool) -> PhotoInfo:
        """Return the information of a photograph, decoded where a malicious file does no harm."""


def receive_photo(
    store: Store, by: str, file: PhotoFile, info: SampleInfo, inspect: Inspector = inspect_photo
) -> Photograph:
    """Store a photograph durably and return its record; missing information is added to one received before.

    The record contains time and camera; a location in the EXIF data remains in the original only. ``inspect``: decodes
    the photograph, possibly in another process. Raises PhotoError if it is not a photograph, RecordsError if ``info``
    refers to a missing record or contradicts stored information.
    """
    name = printable_name(Path(file.where).name)
    check_references(store, info, name)
    seen = inspect(file, for_label=info.batch is None)
    batch = info.batch or _batch_on_label(store, seen, name)
    dipped = info.dipped and (info.dipped if info.dipped.tzinfo else info.dipped.astimezone())
    now = store.clock()
    photograph = Photograph(
        id=seen.sha256, name=name, size=len(file.data), received=now, account=by,
        taken=seen.taken, exposed=exposed(seen.taken, now, dipped.tzinfo if dipped else None), dipped=dipped,
        tube=info.tube or tube_in_use(store, batch), point=info.point, batch=batch,
        card=info.card, phone=info.phone or _phone(store, by, seen.camera), standard=info.standard, note=info.note)
    after_dip_s(photograph)
    receive(store, photograph, file.data)
    return _add_information(store, by, photograph.id, msgspec.structs.replace(info, dipped=dipped))


def time_flags(photograph: Photograph) -> tuple[str, ...]:
    """Return the flag ``time-unknown`` or ``time-future`` if the time of the photograph is unknown or impossible.

    The dip has the phone's UTC offset; the phone's camera uses the same clock.
    """
    dipped, received = photograph.dipped, photograph.received
    if dipped is not None and dipped > received + AHEAD:
        return ("time-future",)
    return clock_flags(photograph.taken, received, dipped.tzinfo if dipped else None)


def after_dip_s(photograph: Photograph) -> float | None:
    """Return the seconds from dip to exposure, both by the phone's clock; None if one is unknown.

    Raises InputError for a dip that cannot belong to the photograph.
    """
    if photograph.dipped is None:
        return None
    return Dip(at=photograph.dipped.replace(tzinfo=None)).elapsed_s(photograph.taken)


def printable_name(name: str) -> str:
    """Return a file name for a record, with unprintable characters replaced by question marks."""
    return "".join(c if c.isprintable() else "?" for c in name.encode("utf-8", "replace").decode())[-300:] or "?"


#: Types of the records that the information refers to, by field; they must exist.
_REFERENCES: Final[dict[str, type[Record]]] = {
    "point": SamplingPoint, "batch": Batch, "tube": Tube, "card": Card, "phone": Phone}
_REMEDIES: Final = {
    "phone": "correct the ID, or register the phone: `stripread phones register PHONE MODEL`",
    "tube": "correct the ID, or register the tube: `stripread strips open TUBE --batch BATCH`"}


def check_references(store: Store, info: SampleInfo, photo: str) -> None:
    """Raise RecordsError if the information refers to a missing record."""
    for field, kind in _REFERENCES.items():
        named = getattr(info, field)
        if named is not None and not store.ids(kind, id=named):
            raise RecordsError(f"no such {RECORD_TYPES[kind].singular}", where=photo, found=named,
                               allowed=list_some(store.ids(kind)),
                               remedy=_REMEDIES.get(field, "add that record first, or correct the ID")).of_field(field)
    if info.tube and info.batch and not store.ids(Tube, id=info.tube, batch=info.batch):
        raise RecordsError("the tube belongs to another batch", where=photo,
                           found=f"tube {info.tube}, batch {info.batch}",
                           allowed=list_some(store.ids(Tube, batch=info.batch))).of_field("tube")


def _batch_on_label(store: Store, seen: PhotoInfo, name: str) -> str:
    """Return the batch on the label in the picture. Raises RecordsError."""
    if len(seen.batches) != 1 or not store.ids(Batch, id=seen.batches[0]):
        label = f"a label of batch {' and of '.join(seen.batches)}" if seen.batches else "no label"
        raise RecordsError("the strip batch is unknown: it was not given, and no label in the picture identifies it",
                           where=name, found=label, allowed=list_some(store.ids(Batch)),
                           remedy="state the batch (command line: --batch BATCH)").of_field("batch")
    return seen.batches[0]


def _phone(store: Store, by: str, camera: str | None) -> str | None:
    """Return the account's phone of this model, else a generic one for the model, created if necessary."""
    if camera is None:
        return None
    model = camera[:128]
    candidates = [p.id for p in store.find(Phone, model=model, account=by) if p.retired is None]
    if len(candidates) == 1:
        return candidates[0]
    if not store.ids(Phone, id=model):
        with store.writing(by) as transaction:
            if transaction.current(Phone, model) is None:
                transaction.put(Phone(id=model, model=model), "phone registered")
    return model


#: Fields that may be added later but not changed.
_ADDABLE = ("point", "batch", "dipped", "tube", "card", "phone", "standard")


def _add_information(store: Store, by: str, sha256: str, info: SampleInfo) -> Photograph:
    """Add new information to the stored photograph and return it. Raises RecordsError for a contradiction."""
    stored = store.get(Photograph, sha256)
    added = {
        field: value for field in _ADDABLE if (value := getattr(info, field)) not in (None, getattr(stored, field))
    }
    for field, value in added.items():
        if getattr(stored, field) is not None:
            raise RecordsError(f"the photograph is already stored with another {field}", where=stored.name,
                               found=str(value), allowed=str(getattr(stored, field)),
                               remedy=f"if {field} {value} is right, move it on the page of its reading or with "
                                      "`stripread readings move`" if field in ("point", "tube") else
                                      "send it again with the value that was stated first").of_field(field)
    if not added:
        return stored
    more = msgspec.structs.replace(stored, **added)
    with store.writing(by) as transaction:
        transaction.put(more, "information added")
    return more
