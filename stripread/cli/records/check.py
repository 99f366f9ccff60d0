"""``stripread records check``: check standards into the records."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from calibration.checks import Pair
from calibration.standards import read_standards
from stripread.cli.main import echo
from stripread.cli.records.store import store_and_account
from stripread.cli.records.taking import IntakeCommand
from stripread.intake.check_standards import ReceivedCheck, read_checks
from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo
from stripread.reading.many import WORTH_A_PROCESS
from stripread.reading.processes import sensible_processes
from stripread.reading.strangers import judged, pairs_of
from stripread.report.merit_text import check_lines
from stripread.store.chart_selection import chart_for


@click.command()
@click.argument("table", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--batch", required=True, help="Batch of the strips.")
@click.option("--tube", help="The tube the strips came from; not needed while one tube of the batch is in use.")
@click.option("--phone", help="The phone, if the photographs do not name its model.")
@click.option("--json", "as_json", is_flag=True, help="A JSON object for each receipt and each reading, a line each.")
def check(table: Path, *, batch: str, tube: str | None, phone: str | None, as_json: bool) -> int:
    """Take the check standards of TABLE into the records: photographs, readings, and what was known of the solutions.

    TABLE is a standards table, of which the rows with role check are taken and judged as `stripread chart check`
    does. `stripread chart control` then draws their control charts, and a phone whose check standards pass is no
    longer flagged phone-new.
    """
    store, account = store_and_account()
    chart = chart_for(store, batch, store.clock())
    rows = [r for r in read_standards(table, {p.analyte: p.unit for p in chart.strip.pads}) if r.role == "check"]
    desk = IntakeCommand(store, account, as_json=as_json)
    received = [ReceivedCheck(photograph, row) for row in rows for photograph in desk.received([row.photo], SampleInfo(
        batch=batch, tube=tube, phone=phone, standard=row.standard, note=f"light {row.light}"))]
    pays = sensible_processes(len(received), worth=WORTH_A_PROCESS)
    results = list(desk.told(len(received), read_checks(store, account, received, pays)))
    if not as_json:
        echo("\n".join(check_lines(judged(_pairs(received, results), chart))))
    return desk.status


def _pairs(received: Sequence[ReceivedCheck], results: Sequence[IntakeResult]) -> Iterator[Pair]:
    for one, taken in zip(received, results, strict=True):
        if taken.reading is not None:
            yield from pairs_of(one.row, taken.reading.reading)[0]
