"""``stripread records add``: photographs into the records, read and judged."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import click
import msgspec

from shared.errors import InputError
from stripread.cli.inputs import photographs
from stripread.cli.main import DONE, SOME_REFUSED, WRONG, complain
from stripread.cli.progress import with_progress
from stripread.cli.records.store import store_and_account
from stripread.cli.show import as_text
from stripread.cli.verdicts import headlines
from stripread.reading.photo import open_photo
from stripread.reading.processes import sensible_processes
from stripread.reading.timing import dip_from_text
from stripread.records.intake import WORTH_A_PROCESS, How, Taken, read
from stripread.records.kinds.evidence import Photograph
from stripread.records.reception import Said, receive
from stripread.records.store import Store
from stripread.records.whereabouts import point_for


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--site", help="The site (its id); its only sampling point need not be named.")
@click.option("--point", help="The sampling point: its id, or within --site its name or place.")
@click.option("--batch", help="Batch of the strips, where no label in the picture tells it.")
@click.option("--dipped", metavar="TIME", help="When the strip was dipped, by the phone's clock: 2031-05-04T09:30:00.")
@click.option("--tube", help="The tube the strips came from; not needed while one tube of the batch is in use.")
@click.option("--card", help="The single card, if they are told apart.")
@click.option("--phone", help="The phone, if the photograph does not name its model.")
@click.option("--equipment", metavar="ID|NAME|FILE.toml",
              help="Machine to judge for, if not the one at the sampling point.")
@click.option("--processes", type=click.IntRange(1, 64), help="Read on so many processes [default: what pays].")
@click.option("--json", "as_json", is_flag=True, help="A JSON object for each receipt and each reading, a line each.")
def add(photos: tuple[Path, ...], *, site: str | None, point: str | None, batch: str | None, dipped: str | None,
        tube: str | None, card: str | None, phone: str | None, equipment: str | None, processes: int | None,
        as_json: bool) -> int:
    """Take PHOTOS (files, or folders of them) into the records: keep the originals, read and judge them.

    "received" stands on a line once a photograph is safe; then it is read on its batch's chart with the profile of
    its card's print run, and judged for the machine at the sampling point. Adding it again completes what was
    interrupted and doubles nothing. A refused reading is kept too.
    """
    store, account = store_and_account()
    said = Said(point=point_for(store, site, point), batch=batch, dipped=dip_from_text(dipped).at if dipped else None,
                tube=tube, card=card, phone=phone)
    desk = Desk(store, account, as_json=as_json)
    received = desk.received(photographs(photos), said)
    pays = sensible_processes(len(received), worth=WORTH_A_PROCESS)
    return desk.read(received, How(equipment=equipment, processes=processes or pays))


class Desk:
    """Takes photographs in and tells of each; ``status`` is the exit status so far."""

    def __init__(self, store: Store, account: str, *, as_json: bool) -> None:
        self.store, self.account, self.as_json = store, account, as_json
        self.status = DONE

    def received(self, paths: Sequence[Path], said: Said) -> list[Photograph]:
        """Those that are safe now, each acknowledged; what cannot be received is told, and the others are."""
        found = []
        for path in with_progress(paths, "Receiving"):
            try:
                photograph = receive(self.store, self.account, open_photo(path), said)
            except InputError as error:
                complain(error.message)
                self.status = WRONG
                continue
            self._echo({"received": photograph.id, "photo": photograph.name},
                       f"received {photograph.name} {photograph.id[:12]}")
            found.append(photograph)
        return found

    def read(self, photographs: Sequence[Photograph], how: How) -> int:
        """Read, judge and tell; the exit status of all."""
        results = read(self.store, self.account, photographs, how)
        for _, taken in zip(with_progress(photographs, "Reading"), results, strict=True):
            self.tell(taken)
        return self.status

    def tell(self, taken: Taken) -> None:
        """What became of one photograph."""
        if taken.reading is None:
            complain(f"{taken.why}. It is kept, and was not read: add it again once that is mended")
            self.status = WRONG
        elif taken.reading.status == "refused":
            self.status = max(self.status, SOME_REFUSED)
        self._echo(_told(taken), "\n".join(_lines(taken)))

    def _echo(self, told: dict[str, object], text: str) -> None:
        if self.as_json or text:
            click.echo(msgspec.json.encode(told) if self.as_json else text)


def _told(taken: Taken) -> dict[str, object]:
    reading, judged = taken.reading, taken.assessment
    return {"photograph": taken.photograph.id, "photo": taken.photograph.name, "reading": reading and reading.id,
            "status": reading.status if reading else None, "flags": reading.flags.split() if reading else [],
            "values": reading.reading.values() if reading else [], "assessment": judged and judged.id,
            "verdict": judged.verdict if judged else None, "why": taken.why, "new": taken.new}


def _lines(taken: Taken) -> Iterator[str]:
    if taken.reading is None:
        return
    yield as_text(taken.reading.reading)
    if taken.assessment is not None:
        judged = taken.assessment.assessment
        yield from (f"  {line}" for line in headlines(judged))
        yield f"  Next: {judged.plan.next_step}"
    elif taken.reading.status == "read" and taken.why:
        yield f"  Not judged: {taken.why}"
    yield f"  {'kept as' if taken.new else 'kept before as'} reading {taken.reading.id}"
