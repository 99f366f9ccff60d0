"""The store of the sample company: a year of work, in order of time, by the people who would do it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Final, TypeVar

import numpy as np

from calibration.chart import Chart
from calibration.release import Release
from shared.analytes import ANALYTES
from stripread.demo import company, standards, story
from stripread.demo.batches import BATCHES
from stripread.demo.printing import RUN, profile_text
from stripread.demo.story import StoryVisit, moment
from stripread.demo.water import YEAR, Renewal
from stripread.demo.workers import WorkerPool
from stripread.exchange.csv_import import records_of
from stripread.exchange.import_records import import_all
from stripread.intake.check_standards import ReceivedCheck, read_checks
from stripread.intake.materials_import import (
    add_release,
    import_file,
    register_batch,
    register_chart,
    register_tube,
)
from stripread.intake.process import IntakeOptions, process_photos
from stripread.intake.receive import PhotoInfo, SampleInfo, receive_photo
from stripread.intake.release_gate import gate_evidence
from stripread.intake.terms import catalogue, own_terms
from stripread.reading.photo_file import PhotoFile
from stripread.review.queue import QueueEntry, queue
from stripread.review.session import ReviewSession
from stripread.store.accounts import create_account, create_first_administrator
from stripread.store.models.accounts import Role
from stripread.store.models.evidence import LabResult, Photograph
from stripread.store.models.materials import Batch, Card, Phone, Tube
from stripread.store.models.sites import Job, Service
from stripread.store.settings import Issuer, ReviewPolicy, Settings
from stripread.store.store import Store, open_store

Item = TypeVar("Item")
#: Shows how far the work is.
Progress = Callable[[Sequence[Item]], Iterable[Item]]

#: Days of story between two calls of the workers.
STEP: Final = 7
_SHELF_DAYS, _VALID_DAYS = 500, 200
_CARD: Final = f"card-{RUN}-1"


@dataclass(slots=True)
class StoryClock:
    """The clock of the store while the story runs."""

    now: datetime

    def __call__(self) -> datetime:
        """Return the time in the story."""
        return self.now


@dataclass(slots=True)
class _Company:
    """The store under construction; ``who``: account by role; ``until``: number of days of the year to build."""

    store: Store
    clock: StoryClock
    start: date
    pool: WorkerPool
    who: dict[Role, str] = field(default_factory=dict)

    def at(self, day: int, minute: int = 0) -> None:
        """Set the clock; it never goes back."""
        self.clock.now = max(self.clock.now, moment(self.start, day, minute))

    def date_of(self, day: int) -> date:
        """Return the date of a day of the story."""
        return self.start + timedelta(days=day)


def settings_of(folder: Path) -> Settings:
    """Return the settings of the sample company's store in a folder."""
    return Settings(database=f"sqlite:///{folder / 'records.sqlite'}", photographs=str(folder / "photographs"),
                    review=ReviewPolicy(share=0.03, seed="demo"), issuer=Issuer(name=company.NAME))


def build(folder: Path, end: date, pool: WorkerPool, *, days: int = YEAR, watch: Progress[int] = iter) -> Settings:
    """Build the store of the first ``days`` of a year that ends with the day ``end``; return its settings."""
    settings, start = settings_of(folder), end - timedelta(days=days - 1)
    clock = StoryClock(moment(start, -12, 0))
    store = open_store(settings, clock)
    try:
        made = _Company(store, clock, start, pool)
        charts = {batch: pool.calibrated(batch, moment(start, first - 5, 0))
                  for batch, first in story.FIRST_DAYS.items() if first < days}
        _found(made)
        _run(made, charts, days, watch)
    finally:
        store.close()
    return settings


def _found(made: _Company) -> None:
    """Create accounts, sites, materials."""
    first = company.PEOPLE[0]
    made.who[first.role] = create_first_administrator(made.store, first.name, [first.role]).id
    for person in company.PEOPLE[1:]:
        made.who[person.role] = create_account(made.store, person.name, [person.role], by=made.who[first.role]).id
    manager = made.who["manager"]
    with company.tables() as (tables, units):
        import_file(made.store, manager, units)
        found = records_of(tables, made.clock.now, catalogue(own_terms(made.store)))
        import_all(made.store, found, by=manager, why="tables of the company")
    _materials(made)


def _materials(made: _Company) -> None:
    with made.store.writing(made.who["analyst"]) as transaction:
        transaction.put(Card(id=_CARD, run=RUN, first_used=made.date_of(-7)), "registered")
        for id_, (phone, role) in company.PHONES.items():
            transaction.put(Phone(id=id_, model=f"Sample {phone.model}", account=made.who[role]), "registered")
    _profile(made)


def _profile(made: _Company) -> None:
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        path = Path(folder) / "profile.txt"
        path.write_text(profile_text(), encoding="ascii")
        import_file(made.store, made.who["analyst"], path)


def _run(made: _Company, charts: dict[str, Future[Chart]], days: int, watch: Progress[int]) -> None:
    """Go through the year in steps; the photographs of the next step are rendered during this one."""
    steps = range(0, days, STEP)
    planned = {step: list(group) for step, group in groupby(story.visits(days), lambda v: v.day // STEP * STEP)}
    pending = {step: [made.pool.rendered(v.shot(made.start), v.name(made.start)) for v in planned.get(step, ())]
               for step in steps[:1]}
    for step in watch(steps):
        if step + STEP in planned:
            pending[step + STEP] = [made.pool.rendered(v.shot(made.start), v.name(made.start))
                                    for v in planned[step + STEP]]
        for batch in (b for b, first in story.FIRST_DAYS.items() if step <= first < step + STEP and b in charts):
            _take_into_use(made, batch, charts[batch].result())
        for unit, renewal in (r for r in story.renewals(days) if step <= r[1].day < step + STEP):
            _renew(made, unit, renewal)
        _visit(made, list(zip(planned.get(step, ()), pending.pop(step, ()), strict=True)))
        _laboratory(made, step)
        if any(step <= day < step + STEP for day in story.REVIEWS):
            made.at(step + STEP - 1, 600)
            _review(made)
    made.at(days - 1, 600)


def _take_into_use(made: _Company, batch: str, chart: Chart) -> None:
    """Register a batch and its chart, read its check standards, release it, open a tube, finish the one before."""
    first, analyst = story.FIRST_DAYS[batch], made.who["analyst"]
    made.at(first - 4)
    register_batch(made.store, analyst, Batch(id=batch, strip=chart.strip.name, keeps_days=150,
                                              expires=made.date_of(first + _SHELF_DAYS)))
    register_chart(made.store, analyst, chart)
    checks = [StoryVisit(first - 3, n, batch, "phone-bench", solution=solution)
              for n, solution in enumerate(standards.release_checks())]
    _visit(made, [(v, made.pool.rendered(v.shot(made.start), v.name(made.start))) for v in checks])
    made.at(first - 2)
    now = made.clock.now
    add_release(made.store, analyst, Release(
        chart=chart.id, state="released", who=analyst, when=now, why="check standards passed", valid_from=now,
        valid_until=now + timedelta(days=_VALID_DAYS), evidence=gate_evidence(made.store, chart)))
    _open_tube(made, batch, first)


def _open_tube(made: _Company, batch: str, first: int) -> None:
    before = BATCHES.index(batch) - 1
    if before >= 0:
        register_tube(made.store, made.who["technician"], Tube(
            id=f"{BATCHES[before]}/1", batch=BATCHES[before], finished=made.date_of(first)))
    register_tube(made.store, made.who["technician"], Tube(id=f"{batch}/1", batch=batch, opened=made.date_of(first)))


def _renew(made: _Company, unit: str, renewal: Renewal) -> None:
    earlier = [r for u, r in story.renewals() if u == unit and r.day < renewal.day]
    made.at(renewal.day)
    with made.store.writing(made.who["technician"]) as transaction:
        job: Job = "cartridge changed" if earlier else "fitted"
        transaction.put(Service(id=f"{unit}-{renewal.day:03}", unit=unit, at=moment(made.start, renewal.day, 0),
                                job=job, account=made.who["technician"], setting=renewal.setting,
                                litres=25.0 * renewal.day), job)


def _visit(made: _Company, taken: Sequence[tuple[StoryVisit, Future[tuple[bytes, PhotoInfo]]]]) -> None:
    """Receive the photographs at their times, then evaluate those of each role and batch together."""
    received = [(visit, _receive(made, visit, *shot.result())) for visit, shot in taken]
    for _, group in groupby(sorted(received, key=lambda r: (r[0].batch, bool(r[0].solution), r[0].day, r[0].minute)),
                            key=lambda r: (r[0].batch, bool(r[0].solution))):
        _evaluate(made, list(group))


def _receive(made: _Company, visit: StoryVisit, data: bytes, seen: PhotoInfo) -> Photograph:
    made.at(visit.day, visit.minute + 1)
    dipped = visit.taken(made.start) - timedelta(seconds=visit.mishap.after_dip_s)
    info = SampleInfo(point=visit.point, batch=visit.batch, dipped=dipped, card=_CARD, phone=visit.phone,
                      standard=visit.solution.standard if visit.solution else None)
    return receive_photo(made.store, made.who[company.PHONES[visit.phone][1]],
                         PhotoFile(visit.name(made.start), data), info, _Inspected(seen))


@dataclass(frozen=True, slots=True)
class _Inspected:
    """The information in a photograph that was inspected when it was rendered."""

    seen: PhotoInfo

    def __call__(self, file: PhotoFile, *, for_label: bool) -> PhotoInfo:  # noqa: ARG002 - known already
        return self.seen


def _evaluate(made: _Company, received: Sequence[tuple[StoryVisit, Photograph]]) -> None:
    """Evaluate samples for the technician, check standards for the analyst."""
    by = made.who["analyst" if received[0][0].solution else "technician"]
    samples = [photograph for visit, photograph in received if not visit.solution]
    checks = [ReceivedCheck(p, v.solution.row(Path(p.name))) for v, p in received if v.solution]
    list(process_photos(made.store, by, samples, IntakeOptions(executor=made.pool)))
    list(read_checks(made.store, by, checks, made.pool))


def _laboratory(made: _Company, step: int) -> None:
    """Enter the results of laboratory samples taken in this step, with an error of their own."""
    for point, days in story.LABORATORY.items():
        for day in (d for d in days if step <= d < step + STEP):
            made.at(day, 500)
            with made.store.writing(made.who["manager"]) as transaction:
                for result in _lab_results(made, point, day):
                    transaction.put(result, "imported", "laboratory report")


def _lab_results(made: _Company, point: str, day: int) -> Iterator[LabResult]:
    rng, report = np.random.default_rng(day), f"{point}-{day:03}"
    for analyte, true in company.water_at(point, day).items():
        if analyte != "chlorine":
            u = 0.05 if analyte == "ph" else 0.015 * true
            yield LabResult(id=f"lab-{report}-{analyte}", point=point, taken=moment(made.start, day, 60),
                            analyte=analyte, value=round(true + rng.normal(0, u), 3), unit=ANALYTES[analyte].unit,
                            u=round(u, 3), method="titration" if analyte != "ph" else "electrode",
                            laboratory="Invented Laboratory", report=report)


def _review(made: _Company) -> None:
    session = ReviewSession(made.store, made.who["reviewer"])
    for entry in queue(made.store):
        _decide(made, session, entry)


def _decide(made: _Company, session: ReviewSession, entry: QueueEntry) -> None:
    """Accept a reading, or reject it where something went wrong."""
    mishap = next((m for (point, day), m in story.MISHAPS.items()
                   if point == entry.point and entry.sampled.startswith(made.date_of(day).isoformat())), None)
    if mishap is None:
        session.accept(entry.reading, "consistent with the history of the point")
    elif mishap.tap:
        session.reject(entry.reading, "water", "strip dipped at the wrong tap")
    elif mishap.fault:
        session.reject(entry.reading, "picture", "the card is not completely in the picture")
    else:
        session.reject(entry.reading, "time", "photographed too late after the dip")
