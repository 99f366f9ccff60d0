"""The year of the sample company: a store built in order of time, by the people who would do the work."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from pathlib import Path
from typing import Final, TypeVar

import numpy as np

from calibration.chart import Chart
from shared.analytes import ANALYTES
from stripread.demo import company, standards, story
from stripread.demo.company import Renewal
from stripread.demo.construction import (
    CARD,
    Construction,
    StoryClock,
    WorkerPool,
    found_company,
    register_strips,
    release_chart,
    settings_of,
)
from stripread.demo.story import WHOLE, DecisionDay, Excerpt, StoryVisit, moment
from stripread.intake.process import IntakeOptions, process_photos
from stripread.intake.receive import PhotoInfo, SampleInfo, receive_photo
from stripread.intake.standards import ReceivedCheck, read_checks
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.operations.decisions import Decisions, Proposal, decisions
from stripread.reading.photo_file import PhotoFile
from stripread.review.queue import QueueEntry, queue
from stripread.review.session import ReviewSession
from stripread.store.models.evidence import LabResult, Photograph
from stripread.store.models.sites import Job, Service
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.settings import Settings
from stripread.store.store import open_store

#: Share of untreated water at which exchangers are set.
_SETTING: Final = 0.2


def follow_up(construction: Construction, within: Excerpt) -> None:
    """Take the steps of decisions that fall within an excerpt, and count the stock."""
    manager = Decisions(construction.store, construction.accounts["manager"])
    if within.includes(story.COUNT_DAY):
        construction.at(story.COUNT_DAY, 480)
        for unit, count in story.STOCK.items():
            manager.count(unit, count)
    for step in (one for one in story.DECISIONS if within.includes(one.day)):
        construction.at(step.day, 490)
        _take_step(construction, manager, step)


def _take_step(construction: Construction, manager: Decisions, step: DecisionDay) -> None:
    """Take a step of the decision that is open at a site; one that began before the excerpt is left out."""
    if step.state == "proposed":
        name = catalogue(own_terms(construction.store))[step.unit].name
        what = f"Install {name}, bypass {100 * _SETTING:.0f} %"
        manager.propose(load_intervals(), Proposal(step.site, what, step.unit, _SETTING), step.why)
        return
    for decision in decisions(construction.store, step.site, settled=False):
        reading = _verifying(construction, step.site) if step.state == "verified" else None
        if step.state != "verified" or reading is not None:
            manager.advance(decision.id, step.state, step.why, reading)


def _verifying(construction: Construction, site: str) -> str | None:
    """Return the latest reading of treated water at a site that is not out of limits."""
    listed = readings(construction.store, ReadingFilter(point=f"{site}/treated", reviewed=None))
    return next((one.id for one in listed if one.verdict in ("within-limits", "inconclusive")), None)


Item = TypeVar("Item")
#: Shows how far the work is.
Progress = Callable[[Sequence[Item]], Iterable[Item]]
#: A photograph once it is rendered, with the information in it.
Rendering = Future[tuple[bytes, PhotoInfo]]

#: Days of story whose photographs are evaluated together.
STEP: Final = 7


def build(folder: Path, end: date, pool: WorkerPool, part: Excerpt = WHOLE, watch: Progress[int] = iter) -> Settings:
    """Build the store of a ``part`` of the story whose last day is ``end``; return its settings."""
    settings, start = settings_of(folder), end - timedelta(days=part.until - 1)
    clock = StoryClock(moment(start, part.first - 12, 0))
    store = open_store(settings, clock)
    try:
        made = Construction(store, clock, start, pool)
        charts = {batch: pool.calibrated(batch, moment(start, first - 5, 0)) for batch, first in part.batches.items()}
        found_company(made)
        for unit, renewal in (one for one in story.renewals() if one[1].day < part.first):
            _renew(made, unit, renewal)
        _run(made, charts, part, watch)
    finally:
        store.close()
    return settings


def _run(construction: Construction, charts: dict[str, Future[Chart]], part: Excerpt, watch: Progress[int]) -> None:
    """Go through the days in steps; the photographs of the next step are rendered during this one."""
    steps = range(part.first, part.until, STEP)
    planned: dict[int, list[StoryVisit]] = {step: [] for step in steps}
    for visit in story.visits(part):
        planned[visit.day - (visit.day - part.first) % STEP].append(visit)
    shots = _rendered(construction, planned[steps[0]])
    for step in watch(steps):
        following = _rendered(construction, planned.get(step + STEP, []))
        within = Excerpt(step, step + STEP)
        for batch in within.batches.keys() & charts.keys():
            _take_into_use(construction, charts[batch].result())
        for unit, renewal in (one for one in story.renewals() if within.includes(one[1].day)):
            _renew(construction, unit, renewal)
        _visit(construction, planned[step], shots)
        _enter_laboratory_results(construction, within)
        follow_up(construction, within)
        if any(map(within.includes, story.REVIEWS)):
            construction.at(step + STEP - 1, 600)
            _review(construction)
        shots = following


def _rendered(construction: Construction, visits: Sequence[StoryVisit]) -> list[Rendering]:
    return [construction.pool.rendered(visit.shot(construction.start), visit.name(construction.start))
            for visit in visits]


def _take_into_use(construction: Construction, chart: Chart) -> None:
    """Register a batch, read its check standards on its chart, and release that."""
    register_strips(construction, chart)
    day = story.FIRST_DAYS[chart.batch] - 3
    checks = [StoryVisit(day, n, chart.batch, "phone-bench", solution=solution)
              for n, solution in enumerate(standards.release_checks())]
    _visit(construction, checks, _rendered(construction, checks))
    release_chart(construction, chart)


def _renew(construction: Construction, unit: str, renewal: Renewal) -> None:
    """Record that a unit was installed or its cartridge changed."""
    earlier = [r for u, r in story.renewals() if u == unit and r.day < renewal.day]
    construction.at(renewal.day)
    with construction.store.writing(construction.accounts["technician"]) as transaction:
        job: Job = "cartridge changed" if earlier else "installed"
        transaction.put(Service(id=f"{unit}-{renewal.day:03}", unit=unit, at=moment(construction.start, renewal.day, 0),
                                job=job, account=construction.accounts["technician"], setting=renewal.setting,
                                litres=company.LITRES_PER_DAY * renewal.day), job)


def _visit(construction: Construction, visits: Sequence[StoryVisit], shots: Sequence[Rendering]) -> None:
    """Receive the photographs at their times, then evaluate those of each role and batch together."""
    received = [(visit, _receive(construction, visit, *shot.result()))
                for visit, shot in zip(visits, shots, strict=True)]
    received.sort(key=lambda one: (one[0].batch, one[0].solution is not None, one[0].day, one[0].minute))
    for _, group in groupby(received, key=lambda one: (one[0].batch, one[0].solution is not None)):
        _evaluate(construction, list(group))


def _receive(construction: Construction, visit: StoryVisit, data: bytes, seen: PhotoInfo) -> Photograph:
    construction.at(visit.day, visit.minute + 1)
    dipped = visit.taken(construction.start) - timedelta(seconds=visit.mishap.after_dip_s)
    info = SampleInfo(point=visit.point, batch=visit.batch, dipped=dipped, card=CARD, phone=visit.phone,
                      standard=visit.solution.standard if visit.solution else None)
    return receive_photo(construction.store, construction.accounts[company.PHONES[visit.phone][1]],
                         PhotoFile(visit.name(construction.start), data), info, _Inspected(seen))


@dataclass(frozen=True, slots=True)
class _Inspected:
    """The information in a photograph that was inspected when it was rendered."""

    seen: PhotoInfo

    def __call__(self, file: PhotoFile, *, for_label: bool) -> PhotoInfo:  # noqa: ARG002 - known already
        return self.seen


def _evaluate(construction: Construction, received: Sequence[tuple[StoryVisit, Photograph]]) -> None:
    """Evaluate samples for the technician, check standards for the analyst."""
    by = construction.accounts["analyst" if received[0][0].solution else "technician"]
    samples = [photograph for visit, photograph in received if not visit.solution]
    checks = [ReceivedCheck(p, v.solution.row(Path(p.name))) for v, p in received if v.solution]
    list(process_photos(construction.store, by, samples, IntakeOptions(executor=construction.pool)))
    list(read_checks(construction.store, by, checks, construction.pool))


def _enter_laboratory_results(construction: Construction, within: Excerpt) -> None:
    """Enter the results of laboratory samples."""
    for point, day in ((p, d) for p, days in story.LABORATORY.items() for d in days if within.includes(d)):
        construction.at(day, 500)
        with construction.store.writing(construction.accounts["manager"]) as transaction:
            for result in _laboratory_results(construction, point, day):
                transaction.put(result, "imported", "laboratory report")


def _laboratory_results(construction: Construction, point: str, day: int) -> Iterator[LabResult]:
    """Yield the results of one sample, each with an error of its own; chlorine does not survive the journey."""
    rng, report = np.random.default_rng(day), f"{point}-{day:03}"
    for analyte, true in company.water_at(point, day).items():
        if analyte != "chlorine":
            u = 0.05 if analyte == "ph" else 0.015 * true
            yield LabResult(id=f"lab-{report}-{analyte}", point=point, taken=moment(construction.start, day, 60),
                            analyte=analyte, value=round(true + rng.normal(0, u), 3), unit=ANALYTES[analyte].unit,
                            u=round(u, 3), method="titration" if analyte != "ph" else "electrode",
                            laboratory="Invented Laboratory", report=report)


def _review(construction: Construction) -> None:
    """Decide on everything in the review queue."""
    session = ReviewSession(construction.store, construction.accounts["reviewer"])
    for entry in queue(construction.store):
        _decide(construction, session, entry)


def _decide(construction: Construction, session: ReviewSession, entry: QueueEntry) -> None:
    """Accept a reading, or reject it where something went wrong."""
    mishap = next((m for (point, day), m in story.MISHAPS.items()
                   if point == entry.point and entry.sampled.startswith(construction.date_of(day).isoformat())), None)
    if mishap is None:
        session.accept(entry.reading, "consistent with the history of the point")
    elif mishap.tap:
        session.reject(entry.reading, "water", "strip dipped at the wrong tap")
    elif mishap.fault:
        session.reject(entry.reading, "picture", "the card is not completely in the picture")
    else:
        session.reject(entry.reading, "time", "photographed too late after the dip")
