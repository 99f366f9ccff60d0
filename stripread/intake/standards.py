"""Standards of a strip batch in the store: plan and photographs matched by their labels; check standards."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import msgspec
from sqlalchemy import select

from calibration import control
from calibration.labels import Label
from calibration.standards import StandardRow
from calibration.standards_plan.export import written
from calibration.standards_plan.preparation import Preparation, Solution, prepared
from shared.errors import MismatchError
from stripread.intake.process import IntakeOptions, IntakeResult, process_photos, used_on
from stripread.intake.receive import printable_name, receive
from stripread.reading.context import exposed
from stripread.reading.executors import SERIAL, Executor
from stripread.reading.label import labels_in
from stripread.reading.photo import WHOLE_PX
from stripread.reading.photo_file import PhotoFile
from stripread.store.lookup import list_some
from stripread.store.models.evidence import Photograph, StoredCheckResult, StoredReading, decode_summary
from stripread.store.models.materials import (
    Batch,
    KnownValue,
    Phone,
    StandardPhotograph,
    StandardSolution,
    StandardsSet,
    StoredChart,
)
from stripread.store.schema import BODIES, RECORD_TYPES, decode
from stripread.store.store import Store

#: Photographs of one batch; a calibration needs about 60.
MOST_PHOTOGRAPHS: Final = 400


class LabelledPhoto(msgspec.Struct, frozen=True, kw_only=True):
    """Information in a photograph of a standard: its hash, time and camera, and the labels that can be read in it."""

    sha256: str
    taken: str | None
    camera: str | None
    labels: tuple[Label, ...]


def inspect_standard(file: PhotoFile) -> LabelledPhoto:
    """Decode a photograph and look for labels. Raises PhotoError if it is not a photograph."""
    photo = file.decode()
    labels = labels_in(photo.pixels)
    if not labels and photo.shrink > 1:
        labels = labels_in(file.decode(WHOLE_PX).pixels)
    return LabelledPhoto(sha256=photo.sha256, taken=photo.taken, camera=photo.camera, labels=labels)


@dataclass(frozen=True, slots=True)
class StandardInfo:
    """Information given with a photograph: its light; ``standard``: None if a label in the picture shows it."""

    light: str
    standard: str | None = None


def standards_of(store: Store, batch: str) -> StandardsSet:
    """Return the standards of a batch; an empty set if there are none."""
    return next(iter(store.find(StandardsSet, id=batch)), StandardsSet(id=batch))


def plan_standards(store: Store, by: str, batch: str, plan: str) -> Preparation:
    """Store the plan of a batch's standards and the solutions that it describes; photographs are retained.

    Raises FileError for an invalid plan, MismatchError if it is of another batch or lacks a photographed solution.
    """
    made = prepared(plan.encode(), "the plan")
    if made.plan.batch != batch:
        raise MismatchError("the plan is of another batch", where="the plan: batch", found=made.plan.batch,
                            allowed=batch, remedy="write the batch into the plan, or use the page of that batch")
    solutions = tuple(_solution(s, made.plan.lights) for s in made.solutions)
    names = {s.standard for s in solutions}
    with store.writing(by) as transaction:
        known = transaction.current(StandardsSet, batch) or StandardsSet(id=batch)
        lost = sorted({p.standard for p in known.photographs} - names)
        if lost:
            raise MismatchError("stored photographs show solutions that the plan does not contain", where="the plan",
                                found=", ".join(lost), allowed=list_some(sorted(names)),
                                remedy="keep these solutions in the plan; you may change their values")
        transaction.put(msgspec.structs.replace(known, plan=plan, solutions=solutions), "standards planned")
    return made


def _solution(made: Solution, lights: tuple[str, ...]) -> StandardSolution:
    """Return a solution with its reference values as the printed sheet and the standards table state them."""
    values = {v.analyte: KnownValue(value=float(value), u=float(u))
              for v in made.values if v.certified for value, u in [written(*v.certified)]}
    return StandardSolution(standard=made.id, role="check" if made.role == "check" else "standard", values=values,
                            lights=lights)


@dataclass(frozen=True, slots=True)
class StandardsIntake:
    """Receives photographs of a batch's standards for an account; ``inspect`` decodes one, possibly elsewhere."""

    store: Store
    by: str
    batch: str
    inspect: Callable[[PhotoFile], LabelledPhoto] = inspect_standard

    def receive(self, file: PhotoFile, info: StandardInfo) -> StandardPhotograph:
        """Store a photograph durably and match it with its solution. Idempotent.

        Raises PhotoError if it is not a photograph, MismatchError if its solution or light is unknown.
        """
        name, seen = printable_name(file.where), self.inspect(file)
        standard = _matched(standards_of(self.store, self.batch), seen, info, name)
        matched = StandardPhotograph(photograph=seen.sha256, name=name, standard=standard, light=_light(info, name))
        now = self.store.clock()
        record = Photograph(
            id=seen.sha256, name=name, size=len(file.data), received=now, account=self.by, taken=seen.taken,
            exposed=exposed(seen.taken, now, None), batch=self.batch, standard=standard, note=f"light {matched.light}")
        receive(self.store, record, file.data)
        _put(self.store, self.by, self.batch, matched)
        return matched


def _matched(known: StandardsSet, seen: LabelledPhoto, info: StandardInfo, name: str) -> str:
    """Return the solution that a photograph shows, by its label unless it is stated."""
    labels = {label.standard for label in seen.labels}
    if info.standard is None and len(labels) != 1:
        raise MismatchError("labels of several standards" if labels else "no label was found", where=name,
                            found=", ".join(sorted(labels)) or "no readable label", allowed="one label in the picture",
                            remedy="choose the standard, or photograph it again with its label flat and in focus")
    other = {label.batch for label in seen.labels} - {known.batch}
    if other:
        raise MismatchError("the label is of another batch", where=name, found=", ".join(sorted(other)),
                            allowed=known.batch)
    standard = info.standard or next(iter(labels))
    if labels and standard not in labels:
        raise MismatchError("the label shows another standard", where=name, found=", ".join(sorted(labels)),
                            allowed=standard)
    if known.solution(standard) is None:
        raise MismatchError("the plan does not contain this standard", where=name, found=standard,
                            allowed=list_some([s.standard for s in known.solutions]) or "plan the standards first")
    return standard


def _light(info: StandardInfo, name: str) -> str:
    light = info.light.strip()
    if not light:
        raise MismatchError("the light is unknown", where=name, found="nothing", allowed="a name, such as window")
    return light


def _put(store: Store, by: str, batch: str, matched: StandardPhotograph) -> None:
    """Enter a photograph in the set, in place of an earlier entry of the same photograph."""
    with store.writing(by) as transaction:
        known = transaction.current(StandardsSet, batch) or StandardsSet(id=batch)
        others = tuple(p for p in known.photographs if p.photograph != matched.photograph)
        if len(others) >= MOST_PHOTOGRAPHS:
            raise MismatchError("too many photographs of standards", where=f"batch {batch}", found=str(len(others) + 1),
                                allowed=f"up to {MOST_PHOTOGRAPHS}")
        transaction.put(msgspec.structs.replace(known, photographs=(*others, matched)), "standard photographed")


def exclude_photograph(store: Store, by: str, batch: str, photograph: str, why: str) -> None:
    """Exclude a photograph from the next fit with a reason; an empty one includes it again. Raises MismatchError."""
    with store.writing(by) as transaction:
        known = transaction.current(StandardsSet, batch)
        if known is None or photograph not in {p.photograph for p in known.photographs}:
            raise MismatchError("the batch has no such photograph of a standard", where=f"batch {batch}",
                                found=photograph[:12])
        changed = tuple(msgspec.structs.replace(p, excluded=why.strip()) if p.photograph == photograph else p
                        for p in known.photographs)
        transaction.put(msgspec.structs.replace(known, photographs=changed),
                        "standard excluded" if why.strip() else "standard included", why.strip())


def register_strip_batch(store: Store, by: str, batch: Batch) -> None:
    """Store a new batch. Raises MismatchError if there is one of this id."""
    with store.writing(by) as transaction:
        if transaction.current(Batch, batch.id) is not None:
            raise MismatchError("a batch with this ID exists already", where="batch", found=batch.id,
                                allowed="a new ID")
        transaction.put(batch, "recorded")


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
