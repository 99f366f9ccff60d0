"""Check standards received into the store and evaluated on a registered chart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec.structs import replace

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.standards import read_standards
from stripread.cli.intake import IntakeCommand
from stripread.cli.store import account_of
from stripread.intake.check_standards import ReceivedCheck, read_checks
from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo
from stripread.reading.check_samples import pairs_of
from stripread.reading.executors import executor_for
from stripread.reading.read import WORTH_A_PROCESS
from stripread.store.store import Store


def receive_checks(store: Store, chart: Chart, table: Path, sample: SampleInfo, *,
                   as_json: bool) -> tuple[list[Pair], int]:
    """Store and evaluate the rows of role check; return known and measured values with the exit status."""
    account = account_of(store)
    rows = [r for r in read_standards(table, {p.analyte: p.unit for p in chart.strip.pads}) if r.role == "check"]
    intake = IntakeCommand(store, account, as_json=as_json, brief=True)
    received = [ReceivedCheck(photograph, row) for row in rows for photograph in intake.received(
        [row.photo], replace(sample, batch=chart.batch, standard=row.standard, note=f"light {row.light}"))]
    executor = executor_for(len(received), worth=WORTH_A_PROCESS)
    results = list(intake.report(len(received), read_checks(store, account, received, executor)))
    return list(_pairs(received, results)), intake.status


def _pairs(received: Sequence[ReceivedCheck], results: Sequence[IntakeResult]) -> Iterator[Pair]:
    for one, result in zip(received, results, strict=True):
        if result.reading is not None:
            yield from pairs_of(one.row, result.reading.reading)[0]
