"""``stripread records add``: photographs into the records, read and judged."""

from __future__ import annotations

from pathlib import Path

import click

from stripread.cli.inputs import photographs
from stripread.cli.records.store import store_and_account
from stripread.cli.records.taking import IntakeCommand
from stripread.intake.process import WORTH_A_PROCESS, IntakeOptions, process_photos, without_reading
from stripread.intake.receive import SampleInfo
from stripread.intake.sampling_context import resolve_point
from stripread.reading.processes import sensible_processes
from stripread.reading.timing import dip_from_text


@click.command()
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
@click.option("--site", help="The site: its id, the beginning of it, or its name. Its only sampling point "
              "need not be named.")
@click.option("--point", help="The sampling point: its id, or within --site its name or place.")
@click.option("--batch", help="Batch of the strips, where no label in the picture tells it.")
@click.option("--dipped", metavar="TIME", help="When the strip was dipped, by the phone's clock: 2031-05-04T09:30:00.")
@click.option("--tube", help="The tube the strips came from; not needed while one tube of the batch is in use.")
@click.option("--card", help="The single card, if they are told apart.")
@click.option("--phone", help="The phone, if the photograph does not name its model.")
@click.option("--equipment", metavar="ID|NAME|FILE.toml",
              help="Machine to judge for, if not the one at the sampling point.")
@click.option("--waiting", is_flag=True, help="Also samples that were received and never read.")
@click.option("--processes", type=click.IntRange(1, 64), help="Read on so many processes [default: what pays].")
@click.option("--json", "as_json", is_flag=True, help="A JSON object for each receipt and each reading, a line each.")
def add(photos: tuple[Path, ...], *, site: str | None, point: str | None, batch: str | None, dipped: str | None,
        tube: str | None, card: str | None, phone: str | None, equipment: str | None, waiting: bool,
        processes: int | None, as_json: bool) -> int:
    """Take PHOTOS (files, or folders of them) into the records: keep the originals, read and judge them.

    "received" stands on a line once a photograph is safe; then it is read on its batch's chart with the profile of
    its card's print run, and judged for the machine at the sampling point. Adding it again completes what was
    interrupted and doubles nothing. A refused reading is kept too. --waiting reads what others left unread.
    """
    if not (photos or waiting):
        raise click.UsageError("name photographs, or folders of them, or give --waiting")
    store, account = store_and_account()
    said = SampleInfo(
        point=resolve_point(store, site, point),
        batch=batch,
        dipped=dip_from_text(dipped).at if dipped else None,
        tube=tube,
        card=card,
        phone=phone,
    )
    desk = IntakeCommand(store, account, as_json=as_json)
    named = desk.received(photographs(photos), said)
    received = list({p.id: p for p in (*named, *(without_reading(store) if waiting else ()))}.values())
    pays = sensible_processes(len(received), worth=WORTH_A_PROCESS)
    how = IntakeOptions(equipment=equipment, processes=processes or pays)
    for _ in desk.told(len(received), process_photos(store, account, received, how)):
        pass
    return desk.status
