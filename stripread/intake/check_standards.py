"""Check standards: photographs of solutions of known value, stored with the known values."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import select

from calibration import control
from calibration.standards import StandardRow
from stripread.intake.process import IntakeOptions, IntakeResult, process_photos, used_on
from stripread.reading.executors import SERIAL, Executor
from stripread.store.models.evidence import Photograph, StoredCheckResult, StoredReading, decode_summary
from stripread.store.models.materials import Batch, Phone, StoredChart
from stripread.store.schema import BODIES, RECORD_TYPES, decode
from stripread.store.store import Store


@dataclass(frozen=True, slots=True)
class ReceivedCheck:
    """A stored photograph, and the row of the standards table for the solution that it shows."""

    photograph: Photograph
    row: StandardRow


def read_checks(
    store: Store, by: str, received: Sequence[ReceivedCheck], executor: Executor = SERIAL
) -> Iterator[IntakeResult]:
    """Evaluate check standards and store the known values with each reading. Idempotent: a new call resumes.

    There is no assessment, because a check standard is not the water of a machine.
    """
    results = process_photos(
        store, by, [r.photograph for r in received], IntakeOptions(judge=False, executor=executor)
    )
    for one, result in zip(received, results, strict=True):
        if result.reading is not None:
            _store_known_values(store, by, one.row, result.reading)
        yield result


def _store_known_values(store: Store, by: str, row: StandardRow, reading: StoredReading) -> None:
    """Store a result for each analyte, unless the reading has one already."""
    with store.writing(by) as transaction:
        stored = {check.analyte for check in store.find(StoredCheckResult, reading=reading.id)}
        for analyte, known in row.certified.items():
            if analyte not in stored:
                transaction.put(StoredCheckResult(
                    id=f"{reading.id}-{analyte}", standard=row.standard, analyte=analyte, known=known.value, u=known.u,
                    at=transaction.now, account=by, reading=reading.id, light=row.light or None), "checked")


@dataclass(frozen=True, slots=True)
class _Use:
    """Day of use, batch, phone model and values by analyte of one strip."""

    run: str
    batch: str
    model: str = ""
    values: Mapping[str, float] = field(default_factory=dict)


def for_control(store: Store) -> dict[str, list[control.CheckResult]]:
    """Return the results of check standards by analyte, in order of time, for control charts.

    A run is the day on which the strips were used. Readings without a value are omitted; results that were struck out
    are included with the reason, and excluded from the statistics.
    """
    uses, found = _uses(store), defaultdict[str, list[control.CheckResult]](list)
    charts = {c: b for b in store.ids(Batch) for c in store.ids(StoredChart, batch=b)}
    for check in sorted(store.find(StoredCheckResult), key=lambda check: (check.at, check.id)):
        use = uses[check.reading] if check.reading else _Use(
            check.at.date().isoformat(), charts.get(check.chart or "", ""))
        value = check.found.value if check.found else use.values.get(check.analyte)
        if value is not None:
            found[check.analyte].append(control.CheckResult(
                run=use.run, standard=check.standard, phone=use.model, value=value, left_out=check.struck or "",
                batch=use.batch))
    return {analyte: sorted(results, key=lambda r: r.run) for analyte, results in found.items()}


def _uses(store: Store) -> dict[str, _Use]:
    """Return the use of the strip in each reading of a check standard, by reading id."""
    checks, readings, photographs, models = (RECORD_TYPES[kind].table for kind in (
        StoredCheckResult, StoredReading, Photograph, Phone))
    joined = checks.join(readings, checks.c.reading == readings.c.id).join(
        photographs, readings.c.photograph == photographs.c.id).outerjoin(models, photographs.c.phone == models.c.id)
    query = select(readings.c.id, readings.c.value_summary, BODIES.c.body, models.c.model).select_from(
        joined.join(BODIES, photographs.c.sha256 == BODIES.c.sha256))
    with store.viewing() as connection:
        rows = {row.id: (row, decode(Photograph, row.body)) for row in connection.execute(query)}
    return {id_: _Use(used_on(photograph).isoformat(), photograph.batch or "", row.model or "",
                      {b.analyte: b.value for b in decode_summary(row.value_summary)})
            for id_, (row, photograph) in rows.items()}
