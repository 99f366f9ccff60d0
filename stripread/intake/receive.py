"""Photographs received: with what a person says of them kept safe before anybody is told so."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Final, Protocol

import msgspec

from stripread.intake import retention
from stripread.reading.label import labels_in
from stripread.reading.photo_file import PhotoFile
from stripread.reading.timing import AHEAD, Dip, clock_flags, exposed
from stripread.store.chart_selection import tube_in_use
from stripread.store.errors import RecordsError
from stripread.store.lookup import list_some
from stripread.store.models.evidence import Photograph
from stripread.store.models.materials import Batch, Card, Phone, Tube
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint
from stripread.store.store import Store


class SampleInfo(msgspec.Struct, frozen=True, kw_only=True):
    """What a person says of a photograph; fields as those of `Photograph`.

    ``dipped``: by the phone's clock; without a zone, local time. ``batch``: None where a label in the picture says it.
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
    """What a look into a photograph tells: its hash, when and with which camera it was taken.

    ``batches``: those of labels in the picture, where they were looked for.
    """

    sha256: str
    taken: str | None
    camera: str | None
    batches: tuple[str, ...] = ()


def inspect_photo(file: PhotoFile, *, for_label: bool) -> PhotoInfo:
    """Decode a photograph once. Raises PhotoError for what is none."""
    photo = file.decode()
    batches = sorted({label.batch for label in labels_in(photo.pixels)}) if for_label else ()
    return PhotoInfo(sha256=photo.sha256, taken=photo.taken, camera=photo.camera, batches=tuple(batches))


class Inspector(Protocol):
    """As `inspect_photo`."""

    def __call__(self, file: PhotoFile, *, for_label: bool) -> PhotoInfo:
        """Decode a photograph once, wherever that is safe."""


def receive_photo(
    store: Store, by: str, file: PhotoFile, said: SampleInfo, looking: Inspector = inspect_photo
) -> Photograph:
    """Keep a photograph; once this returns it is safe. Of one received before, what was not said then is added.

    The record holds time and camera; where it was taken stays in the original, if the camera wrote it there.
    ``looking``: what decodes it, where that shall happen elsewhere.
    Raises PhotoError for what is no photograph, RecordsError where what is said names nothing that is kept, or
    contradicts what was said before.
    """
    name = printable_name(Path(file.where).name)
    check_said(store, said, name)
    seen = looking(file, for_label=said.batch is None)
    batch = said.batch or _batch_shown(store, seen, name)
    dipped = said.dipped and (said.dipped if said.dipped.tzinfo else said.dipped.astimezone())
    now = store.clock()
    photograph = Photograph(
        id=seen.sha256, name=name, size=len(file.data), received=now, account=by,
        taken=seen.taken, exposed=exposed(seen.taken, now, dipped.tzinfo if dipped else None), dipped=dipped,
        tube=said.tube or tube_in_use(store, batch), point=said.point, batch=batch,
        card=said.card, phone=said.phone or _phone(store, by, seen.camera), standard=said.standard, note=said.note)
    after_dip_s(photograph)
    retention.receive(store, photograph, file.data)
    return _settled(store, by, photograph.id, msgspec.structs.replace(said, dipped=dipped))


def time_flags(photograph: Photograph) -> tuple[str, ...]:
    """Return ``time-unknown`` or ``time-future`` where a clock did not show when the photograph was taken.

    A dip is given with the phone's UTC offset; its camera writes the time of the same clock.
    """
    dipped, received = photograph.dipped, photograph.received
    if dipped is not None and dipped > received + AHEAD:
        return ("time-future",)
    return clock_flags(photograph.taken, received, dipped.tzinfo if dipped else None)


def after_dip_s(photograph: Photograph) -> float | None:
    """Seconds from dip to exposure, both by the phone's clock; None where one is not told.

    Raises InputError for a dip that cannot belong to the photograph.
    """
    if photograph.dipped is None:
        return None
    return Dip(at=photograph.dipped.replace(tzinfo=None)).elapsed_s(photograph.taken)


def printable_name(name: str) -> str:
    """A file's name as a record can hold it: what cannot be printed becomes a question mark."""
    return "".join(c if c.isprintable() else "?" for c in name.encode("utf-8", "replace").decode())[-300:] or "?"


#: What may be said of a photograph, by field, must be there.
_KINDS: Final[dict[str, type[Record]]] = {
    "point": SamplingPoint, "batch": Batch, "tube": Tube, "card": Card, "phone": Phone}
_REMEDIES: Final = {
    "phone": "correct the id, or register the phone: `stripread records import TABLE.csv` with columns phone, model",
    "tube": "correct the id, or register the tube: `stripread records batch BATCH --tube TUBE`"}


def check_said(store: Store, said: SampleInfo, photo: str) -> None:
    """Raise RecordsError where something is named that is not kept."""
    for field, kind in _KINDS.items():
        named = getattr(said, field)
        if named is not None and not store.ids(kind, id=named):
            raise RecordsError(f"no such {field}", where=photo, found=named, allowed=list_some(store.ids(kind)),
                               remedy=_REMEDIES.get(field, "keep that first, or correct the name"))
    if said.tube and said.batch and not store.ids(Tube, id=said.tube, batch=said.batch):
        raise RecordsError("the tube is of another batch", where=photo, found=f"tube {said.tube}, batch {said.batch}",
                           allowed=list_some(store.ids(Tube, batch=said.batch)))


def _batch_shown(store: Store, seen: PhotoInfo, name: str) -> str:
    """The batch that a label in the picture names."""
    if len(seen.batches) != 1 or not store.ids(Batch, id=seen.batches[0]):
        found = f"a label of batch {' and of '.join(seen.batches)}" if seen.batches else "no label"
        raise RecordsError("the strip's batch is not known: none is named, and no label in the picture tells it",
                           where=name, found=found, allowed=list_some(store.ids(Batch)), remedy="name it with --batch")
    return seen.batches[0]


def _phone(store: Store, by: str, camera: str | None) -> str | None:
    """The phone of this model that the person carries; else one that stands for the model, made if need be."""
    if camera is None:
        return None
    model = camera[:128]
    mine = [p.id for p in store.find(Phone, model=model, account=by) if p.retired is None]
    if len(mine) == 1:
        return mine[0]
    if not store.ids(Phone, id=model):
        with store.writing(by) as work:
            if work.current(Phone, model) is None:
                work.put(Phone(id=model, model=model), "seen")
    return model


#: What a person says once: it may be added later, and not changed.
_SAID = ("point", "batch", "dipped", "tube", "card", "phone", "standard")


def _settled(store: Store, by: str, sha256: str, said: SampleInfo) -> Photograph:
    """The photograph as it is kept, what is said now for the first time added."""
    kept = store.get(Photograph, sha256)
    told = {field: value for field in _SAID if (value := getattr(said, field)) not in (None, getattr(kept, field))}
    for field, value in told.items():
        if getattr(kept, field) is not None:
            raise RecordsError(f"the photograph is stored with another {field} already", where=kept.name,
                               found=str(value), allowed=str(getattr(kept, field)),
                               remedy=f"if {field} {value} is right, move it on the page of its reading or with "
                                      "`stripread records move`" if field in ("point", "tube") else
                                      "add it with what was stated first")
    if not told:
        return kept
    more = msgspec.structs.replace(kept, **told)
    with store.writing(by) as work:
        work.put(more, "told more")
    return more
