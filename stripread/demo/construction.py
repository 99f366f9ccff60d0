"""The store of the sample company under construction: clock, accounts, materials, batches; work in other processes."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import msgspec

from calibration.chart import Chart
from calibration.release import Release
from shared.card import default_card
from shared.strip import default_strip
from stripread.demo import company
from stripread.demo.dyes import BATCHES
from stripread.demo.printing import RUN, print_profile, profile_text
from stripread.demo.render import Shot, render
from stripread.demo.standards import standard_shots, write_shots, write_table
from stripread.demo.story import FIRST_DAYS, moment
from stripread.exchange.csv_import import records_of
from stripread.exchange.import_records import import_all
from stripread.intake.materials_import import add_release, import_file, register_batch, register_chart, register_tube
from stripread.intake.qualification import gate_evidence
from stripread.intake.receive import PhotoInfo, inspect_photo
from stripread.intake.terms import catalogue, own_terms
from stripread.reading.calibrate import Material, calibrate_material
from stripread.reading.executors import Given, Job, Result
from stripread.reading.photo_file import PhotoFile
from stripread.store.accounts import create_account, create_first_administrator
from stripread.store.models.accounts import Role
from stripread.store.models.materials import Batch, Card, Phone, Tube
from stripread.store.settings import Issuer, ReviewPolicy, Settings
from stripread.store.store import Store


class WorkerPool:
    """Processes that stay for the whole story."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return the results of the jobs in order, as an `Executor`."""
        waiting = [self._pool.submit(work, given, job) for job in jobs]
        return (one.result() for one in waiting)

    def calibrated(self, batch: str, made: datetime) -> Future[Chart]:
        """Return the chart of a batch, once its standards are photographed and fitted."""
        return self._pool.submit(calibrated, batch, made)

    def rendered(self, shot: Shot, name: str) -> Future[tuple[bytes, PhotoInfo]]:
        """Return a photograph and the information in it, once it is rendered."""
        return self._pool.submit(rendered, shot, name)


@contextmanager
def worker_pool(processes: int | None = None) -> Iterator[WorkerPool]:
    """Return a pool of processes [default: one per core]."""
    # Spawned, not forked: OpenCV's threads do not survive a fork.
    with ProcessPoolExecutor(processes or os.cpu_count(), get_context("spawn"), _single_threaded) as pool:
        try:
            yield WorkerPool(pool)
        finally:
            pool.shutdown(cancel_futures=True)


def _single_threaded() -> None:
    from stripread.reading.decoder import start_early

    start_early()
    import cv2

    cv2.setNumThreads(1)


def rendered(shot: Shot, name: str) -> tuple[bytes, PhotoInfo]:
    """Render a photograph; return its bytes and the information in it."""
    data = render(shot)
    return data, inspect_photo(PhotoFile(name, data), for_label=False)


def calibrated(batch: str, made: datetime) -> Chart:
    """Photograph the standards of a batch, fit its chart and date it ``made``."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        taken = list(standard_shots(folder, batch, made))
        list(write_shots([one for one, _ in taken]))
        material = Material(default_card(), default_strip(), print_profile(), write_table(folder, taken), batch)
        chart = calibrate_material(material).chart
    conditions = msgspec.structs.replace(chart.conditions, made=made.isoformat(timespec="seconds"))
    return msgspec.structs.replace(chart, conditions=conditions)


#: The only card; days for which strips last from their first use on, an open tube, and a release.
CARD: Final = f"card-{RUN}-1"
_SHELF_DAYS, _TUBE_DAYS, _VALID_DAYS = 500, 150, 200


@dataclass(slots=True)
class StoryClock:
    """The clock of the store while the story runs."""

    now: datetime

    def __call__(self) -> datetime:
        """Return the time in the story."""
        return self.now


@dataclass(slots=True)
class Construction:
    """A store under construction; ``start``: the date of day 0; ``who``: account by role."""

    store: Store
    clock: StoryClock
    start: date
    pool: WorkerPool
    accounts: dict[Role, str] = field(default_factory=dict)

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


def found_company(construction: Construction) -> None:
    """Create accounts, sites and machines, card and phones."""
    first = company.PEOPLE[0]
    construction.accounts[first.role] = create_first_administrator(construction.store, first.name, [first.role]).id
    for person in company.PEOPLE[1:]:
        construction.accounts[person.role] = create_account(
            construction.store, person.name, [person.role], by=construction.accounts[first.role]).id
    manager = construction.accounts["manager"]
    with company.tables() as (tables, units):
        import_file(construction.store, manager, units)
        records = records_of(tables, construction.clock.now, catalogue(own_terms(construction.store)))
        import_all(construction.store, records, by=manager, why="tables of the company")
    _register_materials(construction)


def _register_materials(construction: Construction) -> None:
    with construction.store.writing(construction.accounts["analyst"]) as transaction:
        transaction.put(Card(id=CARD, run=RUN, first_used=construction.date_of(-7)), "registered")
        for id_, (phone, role) in company.PHONES.items():
            transaction.put(Phone(id=id_, model=f"Sample {phone.model}", account=construction.accounts[role]),
                            "registered")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "profile.txt"
        path.write_text(profile_text(), encoding="ascii")
        import_file(construction.store, construction.accounts["analyst"], path)


def register_strips(construction: Construction, chart: Chart) -> None:
    """Register a batch and its chart some days before its first use."""
    first, analyst = FIRST_DAYS[chart.batch], construction.accounts["analyst"]
    construction.at(first - 4)
    register_batch(construction.store, analyst, Batch(id=chart.batch, strip=chart.strip.name, keeps_days=_TUBE_DAYS,
                                              expires=construction.date_of(first + _SHELF_DAYS)))
    register_chart(construction.store, analyst, chart)


def release_chart(construction: Construction, chart: Chart) -> None:
    """Release a chart whose check standards were read; open a tube of its batch, finish that of the batch before."""
    analyst, technician = construction.accounts["analyst"], construction.accounts["technician"]
    first = FIRST_DAYS[chart.batch]
    construction.at(first - 2)
    now = construction.clock.now
    add_release(construction.store, analyst, Release(
        chart=chart.id, state="released", by=analyst, when=now, why="check standards passed", valid_from=now,
        valid_until=now + timedelta(days=_VALID_DAYS), evidence=gate_evidence(construction.store, chart)))
    earlier = [b for b in BATCHES[:BATCHES.index(chart.batch)] if construction.store.ids(Tube, batch=b)]
    for batch in earlier[-1:]:
        register_tube(construction.store, technician,
                      Tube(id=f"{batch}/1", batch=batch, finished=construction.date_of(first)))
    register_tube(construction.store, technician,
                  Tube(id=f"{chart.batch}/1", batch=chart.batch, opened=construction.date_of(first)))
