"""A small fictitious company: one record of every type, with all its references."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import msgspec

from assess import Assessment
from assess.limits import load_limits
from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.estimate import Estimate
from stripread.intake.receive import receive
from stripread.store.models.accounts import ROLES, Account, TechnicianQualification, with_fresh_salt
from stripread.store.models.evidence import (
    Correction,
    IssuedReport,
    LabResult,
    Photograph,
    Review,
    SampleAssessment,
    StatedFact,
    StoredAssessment,
    StoredCheckResult,
)
from stripread.store.models.materials import (
    Batch,
    Card,
    CardInspection,
    KnownValue,
    OwnTerms,
    Phone,
    PrintRun,
    Qualification,
    StandardPhotograph,
    StandardSolution,
    StandardsSet,
    StoredChart,
    StoredRelease,
    Tube,
    Verification,
)
from stripread.store.models.record import Record
from stripread.store.models.sites import (
    DecisionStep,
    Machine,
    MachineWork,
    SamplingPoint,
    Service,
    Site,
    SiteGroup,
    TreatmentDecision,
    Unit,
    UnitStock,
)
from stripread.store.photos import Folder
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from tests.stripread.store.histories import ACCOUNT, NOW, Value, reading_of

PICTURE = b"the bytes of a photograph"
PHOTOGRAPH = Photograph(
    id=hashlib.sha256(PICTURE).hexdigest(), name="tap.jpg", size=len(PICTURE), received=NOW, account=ACCOUNT,
    taken="2026:03:02 11:58:00", dipped=NOW, point="tap", card="7-12", phone="phone")
NAME = "Ada Exampleworth"


@dataclass(frozen=True)
class Material:
    """What is too costly to make for each test."""

    chart: Chart
    assessment: Assessment


@dataclass(frozen=True)
class World:
    """A store and what was put there, in the order in which it was put."""

    store: Store
    records: tuple[Record, ...]


def populate(store: Store, material: Material) -> None:
    """Keep all of it, and a person's name."""
    account = Account(id=ACCOUNT, roles=ROLES)
    with store.writing(ACCOUNT) as work:
        work.name(account, with_fresh_salt(ACCOUNT, NAME), "account made")
        for record in (*_places(), *_materials(material)):
            work.put(record, "added")
    receive(store, PHOTOGRAPH, PICTURE)
    with store.writing(ACCOUNT) as work:
        for record in _evidence(material):
            work.put(record, "added", "to be tested")
        work.note("exported", "a line about no record")


@contextmanager
def the_world(database: str, folder: Path, material: Material) -> Iterator[World]:
    """A populated database opened, with photographs in a folder of its own."""
    photographs = folder / "photographs"
    Folder(photographs).put(PHOTOGRAPH.id, PICTURE)
    store = open_store(Settings(database=database, photographs=str(photographs)), clock=lambda: NOW)
    records = (store.get(Account, ACCOUNT), *_places(), *_materials(material), PHOTOGRAPH, *_evidence(material))
    yield World(store, records)
    store.close()


def _places() -> Iterator[Record]:
    yield OwnTerms(id="own", limits=load_limits(), units=load_units())
    yield SiteGroup(id="north", name="North")
    yield Site(id="mill", name="Mill Lane", group="north", address="1 Mill Lane", closed=date(2031, 1, 1))
    yield Unit(id="filter", site="mill", catalogue="weak-acid-exchange", unit=load_units()["weak-acid-exchange"])
    yield SamplingPoint(id="tap", site="mill", place="mains", name="tap")
    yield SamplingPoint(id="behind", site="mill", place="after treatment", name="behind the filter", unit="filter",
                        every_days=30)
    yield Service(id="change", unit="filter", at=NOW, job="cartridge changed", account=ACCOUNT, setting=0.3,
                  litres=4210.5, note="meter read by torch")


def _materials(material: Material) -> Iterator[Record]:
    chart = material.chart
    yield Machine(id="left", site="mill", equipment=material.assessment.equipment)
    yield Batch(id=chart.batch, strip=chart.strip.name, expires=date(2027, 5, 31), keeps_days=90)
    yield Tube(id=f"{chart.batch}/1", batch=chart.batch, opened=date(2026, 2, 1))
    yield StoredChart(id=chart.id, batch=chart.batch, at=NOW, chart=chart)
    yield StoredRelease(id="release", chart=chart.id, state="released", account=ACCOUNT, at=NOW, why="checks passed",
                        valid_until=NOW.replace(year=2027))
    yield PrintRun(id="0" * 64, run=7, at=NOW, text="CGATS.17\n")
    yield Card(id="7-12", run=7, first_used=date(2026, 1, 5))
    yield Phone(id="phone", model="Maker Model", account=ACCOUNT)


def _evidence(material: Material) -> Iterator[Record]:
    first = reading_of(PHOTOGRAPH, {"hardness": Value(90.0), "ph": Value(7.4, 0.1, 0.1)}, chart=material.chart.id)
    yield first
    yield msgspec.structs.replace(first, id="again", supersedes=first.id)
    yield StoredAssessment(id="judged", reading="again", at=NOW, account=ACCOUNT, assessment=material.assessment,
                           machine="left")
    yield Review(id="looked", reading="again", decision="rejected", why="glare on a pad", at=NOW, account=ACCOUNT)
    yield Correction(id="corrected", reading="again", why="the tube's own scale was read", at=NOW, account=ACCOUNT,
                     estimate=Estimate(analyte="ph", value=7.2, low=7.0, high=7.4, unit="pH"))
    report = IssuedReport(id="told", reading="again", at=NOW, account=ACCOUNT, facts=(StatedFact("pH", "7.4"),))
    yield report
    yield msgspec.structs.replace(report, id="told again", amends="told", why="the address was wrong")
    yield Qualification(id="good", phone="phone", outcome="qualified", at=NOW, account=ACCOUNT, readings=("again",))
    yield StoredCheckResult(id="check", standard="S3", analyte="hardness", known=100.0, u=1.5, at=NOW, account=ACCOUNT,
                      reading="again", chart=material.chart.id)
    steps = (DecisionStep(state="proposed", at=NOW, account=ACCOUNT),
             DecisionStep(state="chosen", at=NOW, account=ACCOUNT, why="cheaper to keep"))
    yield TreatmentDecision(id="keep", site="mill", what="change the cartridge", recommended="install a softener",
                            steps=steps, catalogue="weak-acid-exchange", setting=0.3, quantity=2)
    yield UnitStock(id="weak-acid-exchange", count=3, at=NOW, account=ACCOUNT)
    yield SampleAssessment(id="assessed lab", point="tap", taken=NOW, at=NOW, account=ACCOUNT, results=("lab",),
                           assessment=material.assessment, machine="left")
    yield LabResult(id="lab", point="tap", taken=NOW, analyte="hardness", value=93.0, unit="mg/L CaCO3", u=2.0)
    batch = material.chart.batch
    yield StandardsSet(
        id=batch, plan='format = "standards-plan/1"',
        solutions=(StandardSolution(standard="H01", role="standard", values={"hardness": KnownValue(value=40.0, u=0.4)},
                                    lights=("window",)),),
        photographs=(StandardPhotograph(photograph=PHOTOGRAPH.id, name="tap.jpg", standard="H01", light="window",
                                        excluded="strip lay face down"),))
    yield CardInspection(id="inspected", run=7, at=NOW, account=ACCOUNT, photograph=PHOTOGRAPH.id, card="7-12",
                         verdict="replace", reasons=("3 patches have changed",), typical_delta_e=2.1, bar_mm=99.8)
    yield MachineWork(id="descaled", machine="left", at=NOW, job="descaled", account=ACCOUNT, note="citric acid")
    yield TechnicianQualification(id="trained", technician=ACCOUNT, outcome="qualified", at=NOW, account=ACCOUNT,
                                  until=date(2027, 3, 1))
    yield Verification(id="verified", at=NOW, account=ACCOUNT, records=24, photographs=1, entries=30)
