"""Photographs and check standards received by a command: each is acknowledged once it is stored, then its result."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import msgspec
from msgspec.structs import replace

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.standards import read_standards
from shared.errors import InputError
from stripread.cli.output import DONE, NO_RESULT, WRONG, echo, echo_error, echo_verdicts, with_progress
from stripread.cli.show_reading import as_text
from stripread.cli.store import account_of
from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo, check_references, receive_photo
from stripread.intake.standards import ReceivedCheck, read_checks
from stripread.reading.calibrate import pairs_of
from stripread.reading.executors import executor_for
from stripread.reading.photo_file import open_photo
from stripread.reading.read import WORTH_A_PROCESS
from stripread.report.verdicts import headlines
from stripread.store.lookup import short_id
from stripread.store.models.evidence import Photograph
from stripread.store.models.materials import Phone
from stripread.store.store import Store


class IntakeCommand:
    """Receives photographs and reports on each; ``status`` is the exit status so far.

    ``brief``: only photographs without a result are reported once they are evaluated; the command evaluates the others.
    """

    def __init__(self, store: Store, account: str, *, as_json: bool, brief: bool = False) -> None:
        self.store, self.account, self.as_json, self.brief = store, account, as_json, brief
        self.status = DONE
        self._new_phones: set[str] = set()

    def received(self, paths: Sequence[Path], info: SampleInfo) -> list[Photograph]:
        """Return the photographs now stored, each acknowledged; report and skip the others."""
        check_references(self.store, info, "what is stated of the photographs")
        found = []
        for path in with_progress(paths, "Receiving"):
            try:
                photograph = receive_photo(self.store, self.account, open_photo(path), info)
            except InputError as error:
                echo_error(error.message)
                self.status = WRONG
                continue
            self._echo({"received": photograph.id, "photo": photograph.name},
                       f"received {photograph.name} {short_id(photograph.id)}")
            found.append(photograph)
        return found

    def report(self, count: int, results: Iterable[IntakeResult]) -> Iterator[IntakeResult]:
        """Report each of ``count`` results as it arrives."""
        for _, taken in zip(with_progress(range(count), "Evaluating"), results, strict=True):
            self._report(taken)
            yield taken
        for model in sorted(self._new_phones):
            echo_error(f"phone {model}: no check standard has passed with this phone; photograph check standards with "
                     "it and run `stripread chart check BATCH TABLE`")

    def _report(self, taken: IntakeResult) -> None:
        """Report the outcome of one photograph."""
        if taken.reading is None:
            echo_error(f"{taken.why}; the photograph is stored: correct the cause and run the command again")
            self.status = WRONG
        elif taken.reading.status == "no-result":
            self.status = max(self.status, NO_RESULT)
        if taken.reading is not None and "phone-new" in taken.reading.reading.flags:
            self._new_phones.add(_phone(self.store, taken))
        measured = taken.reading is not None and taken.reading.status == "measured"
        self._echo(_facts(taken), "" if self.brief and measured else "\n".join(_lines(taken)))

    def _echo(self, facts: dict[str, object], text: str) -> None:
        if self.as_json:
            echo(msgspec.json.encode(facts))
        elif text:
            echo_verdicts(text)


def _phone(store: Store, taken: IntakeResult) -> str:
    """Return the model of the phone that took a photograph."""
    phone = taken.photograph.phone
    return store.get(Phone, phone).model if phone else "of unknown model"


def _facts(taken: IntakeResult) -> dict[str, object]:
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
    elif taken.reading.status == "measured" and taken.why:
        yield f"  Not assessed: {taken.why}"
    yield f"  {'stored as' if taken.new else 'stored earlier as'} reading {short_id(taken.reading.id)}"


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
