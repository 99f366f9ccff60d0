"""Decisions on treatment, from proposed to verified by a result, and the work on units that is recorded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, get_args

import msgspec

from assess.decision import Verdict
from assess.treatment.options import treatment_of
from assess.treatment.unit import TreatmentUnit
from shared.errors import InputError
from stripread.intake.assessment_cases import current_assessments
from stripread.intake.reassess import AssessmentChange, assess_imported
from stripread.intake.terms import catalogue, own_terms
from stripread.intake.unit_history import services
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.status import status_of
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, SampleAssessment, StoredReading
from stripread.store.models.record import new_id
from stripread.store.models.sites import (
    FOLLOWING,
    DecisionState,
    DecisionStep,
    Job,
    SamplingPoint,
    Service,
    Site,
    TreatmentDecision,
    Unit,
    UnitStock,
)
from stripread.store.reading_status import current_assessment
from stripread.store.schema import R
from stripread.store.store import Store

#: Work that changes the treated water, or which unit it passes.
_CHANGES: Final[tuple[Job, ...]] = ("installed", "setting changed", "removed", "cartridge changed")
#: Work with which a meter may be replaced or reset.
_RESETS: Final[tuple[Job, ...]] = ("installed", "cartridge changed")


def record_service(store: Store, made: Service) -> list[AssessmentChange]:
    """Store a service and assess the site's waters again; return the changed assessments.

    Raises RecordsError for a setting that the unit does not have, a meter that runs backwards, or work on a unit before
    its installation.
    """
    unit, before = store.get(Unit, made.unit), services(store, store.get(Unit, made.unit))
    check_setting(unit.catalogue, unit.unit, made.setting, f"unit {unit.id}")
    _check_meter(before, made)
    _check_order(before, made)
    with store.writing(made.account) as transaction:
        transaction.put(made, made.job, made.note)
    if made.job not in _CHANGES and made.setting is None:
        return []
    return assess_imported(store, made.account, [made])


def check_setting(catalogue_id: str, unit: TreatmentUnit, setting: float | None, where: str) -> None:
    """Raise RecordsError for a setting that a unit does not have; None: no setting is stated."""
    if setting is None:
        return
    try:
        known = treatment_of(catalogue_id, unit).setting
    except InputError:
        known = None
    if known is None:
        raise RecordsError("this unit has no setting", where=f"{where} ({unit.name})", found=f"setting {setting:g}",
                           remedy="omit the setting (command line: --setting)")
    if known.choices and not any(abs(setting - c) < 5e-3 for c in known.choices):
        raise RecordsError("the unit does not have this setting", where=f"{where} ({unit.name})",
                           found=f"{setting:g}", allowed=", ".join(f"{c:g}" for c in known.choices),
                           remedy="read the position on the head; bypass_settings in your catalogue lists the marks")


def _check_meter(before: Sequence[Service], made: Service) -> None:
    if made.litres is None or made.job in _RESETS:
        return
    earlier = [s for s in before if s.litres is not None and s.at <= made.at]
    later = [s for s in before if s.litres is not None and s.at > made.at and s.job not in _RESETS]
    last = earlier[-1] if earlier else None
    if last is not None and last.litres is not None and made.litres < last.litres:
        raise RecordsError("the meter reading is lower than an earlier one", where=f"unit {made.unit}",
                           found=f"{made.litres:g} L",
                           allowed=f"{last.litres:g} L or more (reading of {last.at:%Y-%m-%d})",
                           remedy='read the meter again; a meter is reset only with "installed" or "cartridge changed"')
    after = later[0] if later and not any(s.job in _RESETS and made.at < s.at < later[0].at for s in before) else None
    if after is not None and after.litres is not None and made.litres > after.litres:
        raise RecordsError("the meter reading is higher than a later one", where=f"unit {made.unit}",
                           found=f"{made.litres:g} L",
                           allowed=f"{after.litres:g} L or less (reading of {after.at:%Y-%m-%d})",
                           remedy="read the meter again, or correct the day")


def _check_order(before: Sequence[Service], made: Service) -> None:
    first = next((s for s in before if s.job == "installed"), None)
    if first is not None and made.at < first.at and made.job != "installed":
        raise RecordsError("this work is dated before the unit was installed", where=f"unit {made.unit}",
                           found=f"{made.at:%Y-%m-%d}", allowed=f"{first.at:%Y-%m-%d} or later",
                           remedy="correct the day of the work or of the installation")


@dataclass(frozen=True, slots=True)
class Proposal:
    """What is proposed for a site; ``what`` empty: the recommended action. ``catalogue``: id of the unit to buy."""

    site: str
    what: str = ""
    catalogue: str | None = None
    setting: float | None = None
    quantity: int = 1


@dataclass(frozen=True, slots=True)
class Decisions:
    """The decisions of a store, on behalf of an account."""

    store: Store
    account: str

    def propose(self, intervals: ScheduleIntervals, proposal: Proposal, why: str = "") -> TreatmentDecision:
        """Store a proposal. Raises RecordsError where neither it nor the status of the site names an action."""
        self.store.get(Site, proposal.site)
        recommended = next((i.what for i in status_of(self.store, intervals, proposal.site).due if i.kind == "water"),
                           "")
        what = proposal.what or recommended
        if not what:
            raise RecordsError("no action is recommended for this site", where=f"site {proposal.site}",
                               remedy="state the action (command line: --what)").of_field("what")
        self._check_unit(proposal.catalogue)
        if proposal.catalogue is not None:
            check_setting(proposal.catalogue, catalogue(own_terms(self.store))[proposal.catalogue], proposal.setting,
                          f"site {proposal.site}")
        step = DecisionStep(state="proposed", at=self.store.clock(), account=self.account, why=why)
        return self._stored(TreatmentDecision(
            id=new_id(), site=proposal.site, what=what, recommended=recommended, steps=(step,),
            catalogue=proposal.catalogue, setting=proposal.setting, quantity=proposal.quantity))

    def advance(self, id_: str, state: DecisionState, why: str = "", result: str | None = None) -> TreatmentDecision:
        """Bring a decision into a state. Raises RecordsError where it cannot follow the present one.

        Against the recommendation needs a reason; "verified" needs a ``result`` (id of a reading, or of the assessment
        of a sample) of the site after the installation that is not out of limits. Ordered units that arrive are taken
        from stock when they are installed.
        """
        decision = self.store.get(TreatmentDecision, id_)
        if state not in FOLLOWING[decision.state]:
            raise RecordsError(f"a decision that is {decision.state} cannot become {state}", where=f"decision {id_}",
                               found=state, allowed=", ".join(FOLLOWING[decision.state])).of_field("state")
        if state == "chosen" and not decision.follows and not why.strip():
            raise RecordsError("a choice that differs from the recommendation needs a reason", where=f"decision {id_}",
                               found=decision.what, allowed=decision.recommended or "a reason",
                               remedy="state the reason (command line: --why)").of_field("why")
        if state == "verified":
            self._check_verification(decision, result)
        sampled = bool(result) and bool(self.store.find(SampleAssessment, id=result))
        step = DecisionStep(state=state, at=self.store.clock(), account=self.account, why=why,
                            reading=None if sampled else result, sample=result if sampled else None)
        if state == "installed" and decision.catalogue is not None:
            self._take(decision.catalogue, decision.quantity)
        return self._stored(msgspec.structs.replace(decision, steps=(*decision.steps, step)))

    def count(self, catalogue_id: str, count: int) -> UnitStock:
        """Store the number of units in stock. Raises RecordsError for a unit that the catalogue does not have."""
        self._check_unit(catalogue_id)
        return self._stored(UnitStock(id=catalogue_id, count=count, at=self.store.clock(), account=self.account))

    def _take(self, catalogue_id: str, quantity: int) -> None:
        for stock in self.store.find(UnitStock, id=catalogue_id):
            self._stored(msgspec.structs.replace(stock, count=max(0, stock.count - quantity), at=self.store.clock(),
                                                 account=self.account))

    def _check_unit(self, catalogue_id: str | None) -> None:
        known = catalogue(own_terms(self.store))
        if catalogue_id is not None and catalogue_id not in known:
            raise RecordsError("no such treatment unit", where="catalogue", found=catalogue_id,
                               allowed=", ".join(known),
                               remedy="add it to your catalogue with `stripread machines import`")

    def _check_verification(self, decision: TreatmentDecision, result: str | None) -> None:
        where = f"decision {decision.id}"
        if result is None:
            raise RecordsError("a verification needs a reading, or a laboratory or typed result", where=where,
                               remedy="name the reading after the installation (command line: --reading), or the "
                                      "sampling point of the results (--point)")
        point, sampled, verdict = self._result(result)
        installed = max(s.at for s in decision.steps if s.state == "installed")
        if point is None or self.store.get(SamplingPoint, point).site != decision.site:
            raise RecordsError("the reading is of another site", where=where, found=result, allowed=decision.site)
        if sampled < installed:
            raise RecordsError("the reading is dated before the installation", where=where,
                               found=f"{sampled:%Y-%m-%d}", allowed=f"{installed:%Y-%m-%d} or later")
        if verdict in (None, "out-of-limits"):
            raise RecordsError("the reading does not verify the decision: its water is "
                               f"{'not assessed' if verdict is None else 'out of limits'}", where=where,
                               found=result, remedy="reopen the decision, or test again")

    def _result(self, result: str) -> tuple[str | None, datetime, Verdict | None]:
        """Return sampling point, time of sampling and verdict of a reading or of the assessment of a sample."""
        for sample in self.store.find(SampleAssessment, id=result):
            return sample.point, sample.taken, sample.verdict
        photograph = self.store.get(Photograph, self.store.get(StoredReading, result).photograph)
        assessment = current_assessment(self.store, result)
        return photograph.point, photograph.sampled, None if assessment is None else assessment.verdict

    def _stored(self, record: R) -> R:
        with self.store.writing(self.account) as transaction:
            transaction.put(record, record.state if isinstance(record, TreatmentDecision) else "counted")
        return record


def decisions(store: Store, site: str | None = None, *, settled: bool = True) -> list[TreatmentDecision]:
    """Return decisions, latest first; ``settled``: those included in which nothing remains to be done."""
    all_ = store.find(TreatmentDecision) if site is None else store.find(TreatmentDecision, site=site)
    return sorted((d for d in all_ if settled or d.open), key=lambda d: d.at, reverse=True)


def latest_sample(store: Store, point: str) -> SampleAssessment:
    """Return the current assessment of the latest laboratory or typed sample of a point, or raise RecordsError."""
    samples = latest_samples(store, [point])
    if not samples:
        raise RecordsError("there is no assessed laboratory or typed result", where=f"sampling point {point}",
                           remedy="import it with `stripread sites import`, or type it on the page of the site")
    return samples[0]


def latest_samples(store: Store, points: Iterable[str]) -> list[SampleAssessment]:
    """Return the current assessments of laboratory and typed samples of points, latest sample first."""
    return sorted((a for point in points for a in current_assessments(store, point).values()),
                  key=lambda a: a.taken, reverse=True)


STATES: tuple[DecisionState, ...] = get_args(DecisionState)
