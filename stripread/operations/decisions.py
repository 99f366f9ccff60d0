"""Decisions on treatment: proposed, chosen, ordered, installed, verified by a reading, closed or reopened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import msgspec

from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.status import status_of
from stripread.operations.service import check_setting
from stripread.store.errors import RecordsError
from stripread.store.models.decisions import FOLLOWING, DecisionState, DecisionStep, TreatmentDecision, UnitStock
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import new_id
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_status import current_assessment
from stripread.store.schema import R
from stripread.store.store import Store


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
                               remedy="state what to do with --what")
        self._check_unit(proposal.catalogue)
        if proposal.catalogue is not None:
            check_setting(proposal.catalogue, catalogue(own_terms(self.store))[proposal.catalogue], proposal.setting,
                          f"site {proposal.site}")
        step = DecisionStep(state="proposed", at=self.store.clock(), account=self.account, why=why)
        return self._stored(TreatmentDecision(
            id=new_id(), site=proposal.site, what=what, recommended=recommended, steps=(step,),
            catalogue=proposal.catalogue, setting=proposal.setting, quantity=proposal.quantity))

    def advance(self, id_: str, state: DecisionState, why: str = "", reading: str | None = None) -> TreatmentDecision:
        """Bring a decision into a state. Raises RecordsError where it cannot follow the present one.

        Against the recommendation needs a reason; "verified" needs a reading of the site after the installation that is
        not out of limits. Ordered units that arrive are taken from stock when they are installed.
        """
        found = self.store.get(TreatmentDecision, id_)
        if state not in FOLLOWING[found.state]:
            raise RecordsError(f"a decision that is {found.state} cannot become {state}", where=f"decision {id_}",
                               found=state, allowed=", ".join(FOLLOWING[found.state]))
        if state == "chosen" and not found.follows and not why.strip():
            raise RecordsError("a choice against the recommendation needs a reason", where=f"decision {id_}",
                               found=found.what, allowed=found.recommended or "a reason", remedy="state it with --why")
        if state == "verified":
            self._check_verification(found, reading)
        step = DecisionStep(state=state, at=self.store.clock(), account=self.account, why=why, reading=reading)
        if state == "installed" and found.catalogue is not None:
            self._take(found.catalogue, found.quantity)
        return self._stored(msgspec.structs.replace(found, steps=(*found.steps, step)))

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

    def _check_verification(self, found: TreatmentDecision, reading: str | None) -> None:
        where = f"decision {found.id}"
        if reading is None:
            raise RecordsError("a verification needs a reading", where=where,
                               remedy="name the reading after the installation with --reading")
        photograph = self.store.get(Photograph, self.store.get(StoredReading, reading).photograph)
        point = None if photograph.point is None else self.store.get(SamplingPoint, photograph.point)
        installed = max(s.at for s in found.steps if s.state == "installed")
        if point is None or point.site != found.site:
            raise RecordsError("the reading is of another site", where=where, found=reading, allowed=found.site)
        if photograph.sampled < installed:
            raise RecordsError("the reading is dated before the installation", where=where,
                               found=f"{photograph.sampled:%Y-%m-%d}", allowed=f"{installed:%Y-%m-%d} or later")
        assessment = current_assessment(self.store, reading)
        if assessment is None or assessment.verdict == "out-of-limits":
            raise RecordsError("the reading does not verify the decision: its water is "
                               f"{'not assessed' if assessment is None else 'out of limits'}", where=where,
                               found=reading, remedy="reopen the decision, or test again")

    def _stored(self, record: R) -> R:
        with self.store.writing(self.account) as transaction:
            transaction.put(record, record.state if isinstance(record, TreatmentDecision) else "counted")
        return record


def decisions(store: Store, site: str | None = None, *, settled: bool = True) -> list[TreatmentDecision]:
    """Return decisions, latest first; ``settled``: those included in which nothing remains to be done."""
    found = store.find(TreatmentDecision) if site is None else store.find(TreatmentDecision, site=site)
    return sorted((d for d in found if settled or d.open), key=lambda d: d.at, reverse=True)


STATES: tuple[DecisionState, ...] = get_args(DecisionState)
