"""Photographs taken into the records by a command: each acknowledged once it is safe, then told what was read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import msgspec

from shared.errors import InputError
from stripread.cli.main import DONE, SOME_REFUSED, WRONG, echo, echo_error
from stripread.cli.progress import with_progress
from stripread.cli.show import as_text
from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo, check_references, receive_photo
from stripread.reading.photo_file import open_photo
from stripread.report.verdicts import headlines
from stripread.store.lookup import short_id
from stripread.store.models.evidence import Photograph
from stripread.store.models.materials import Phone
from stripread.store.store import Store


class IntakeCommand:
    """Takes photographs in and tells of each; ``status`` is the exit status so far."""

    def __init__(self, store: Store, account: str, *, as_json: bool) -> None:
        self.store, self.account, self.as_json = store, account, as_json
        self.status = DONE
        self._new_phones: set[str] = set()

    def received(self, paths: Sequence[Path], said: SampleInfo) -> list[Photograph]:
        """Those that are safe now, each acknowledged; what cannot be received is told, and the others are."""
        check_references(self.store, said, "what is stated of the photographs")
        found = []
        for path in with_progress(paths, "Receiving"):
            try:
                photograph = receive_photo(self.store, self.account, open_photo(path), said)
            except InputError as error:
                echo_error(error.message)
                self.status = WRONG
                continue
            self._echo({"received": photograph.id, "photo": photograph.name},
                       f"received {photograph.name} {short_id(photograph.id)}")
            found.append(photograph)
        return found

    def told(self, count: int, results: Iterable[IntakeResult]) -> Iterator[IntakeResult]:
        """So many results, each told as it is read."""
        for _, taken in zip(with_progress(range(count), "Reading"), results, strict=True):
            self._tell(taken)
            yield taken
        for model in sorted(self._new_phones):
            echo_error(f"phone {model}: no check standard has passed with this model; photograph check standards with "
                     "it and run `stripread records check TABLE --batch BATCH`")

    def _tell(self, taken: IntakeResult) -> None:
        """What became of one photograph."""
        if taken.reading is None:
            echo_error(f"{taken.why}; the photograph is kept: add it again once that is mended")
            self.status = WRONG
        elif taken.reading.status == "refused":
            self.status = max(self.status, SOME_REFUSED)
        if taken.reading is not None and "phone-new" in taken.reading.reading.flags:
            self._new_phones.add(_phone(self.store, taken))
        self._echo(_told(taken), "\n".join(_lines(taken)))

    def _echo(self, told: dict[str, object], text: str) -> None:
        if self.as_json or text:
            echo(msgspec.json.encode(told) if self.as_json else text)


def _phone(store: Store, taken: IntakeResult) -> str:
    """Return the model of the phone that took a photograph."""
    phone = taken.photograph.phone
    return store.get(Phone, phone).model if phone else "of a model that the photographs do not name"


def _told(taken: IntakeResult) -> dict[str, object]:
    reading, judged = taken.reading, taken.assessment
    return {"photograph": taken.photograph.id, "photo": taken.photograph.name, "reading": reading and reading.id,
            "status": reading.status if reading else None, "flags": reading.flags.split() if reading else [],
            "values": reading.reading.values() if reading else [], "assessment": judged and judged.id,
            "verdict": judged.verdict if judged else None, "why": taken.why, "new": taken.new}


def _lines(taken: IntakeResult) -> Iterator[str]:
    if taken.reading is None:
        return
    yield as_text(taken.reading.reading)
    if taken.assessment is not None:
        judged = taken.assessment.assessment
        yield f"  for {judged.equipment.name}:"
        yield from (f"    {headline.words}" for headline in headlines(judged))
        yield f"    Next: {judged.plan.next_step}"
    elif taken.reading.status == "read" and taken.why:
        yield f"  Not judged: {taken.why}"
    yield f"  {'kept as' if taken.new else 'kept before as'} reading {short_id(taken.reading.id)}"
