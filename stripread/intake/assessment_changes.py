"""Assessments that a change of limits, machine, unit, catalogue or feed water has replaced: before and after."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import msgspec

from assess.decision import Verdict
from stripread.store.models.evidence import Photograph, SampleAssessment, StoredAssessment, StoredReading
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.store import Store


class AssessmentChange(msgspec.Struct, frozen=True, kw_only=True):
    """A new assessment of a stored water, sampled ``on`` a day; ``before`` None: it had none.

    ``reading``: empty for laboratory and typed results. ``step_before`` and ``step``: next step of the plan.
    """

    assessment: str
    reading: str
    site_name: str
    point_name: str
    on: date
    before: Verdict | None
    after: Verdict
    step_before: str
    step: str

    @property
    def changes_verdict(self) -> bool:
        """Whether the verdict is another."""
        return self.before != self.after


def assessment_changes(store: Store, made: Iterable[StoredAssessment | SampleAssessment]) -> list[AssessmentChange]:
    """Return what new assessments changed, those with another verdict first."""
    found = [_of_reading(store, a) if isinstance(a, StoredAssessment) else _of_sample(store, a) for a in made]
    return sorted(found, key=lambda c: (not c.changes_verdict, c.site_name, c.point_name, c.on))


def _of_reading(store: Store, new: StoredAssessment) -> AssessmentChange:
    photograph = store.get(Photograph, store.get(StoredReading, new.reading).photograph)
    earlier = [a for a in store.find(StoredAssessment, reading=new.reading) if a.id != new.id]
    return _change(store, new, max(earlier, key=lambda a: a.at, default=None), photograph.point,
                   photograph.sampled.date())


def _of_sample(store: Store, new: SampleAssessment) -> AssessmentChange:
    """Return a change; an earlier assessment of the sample shares a result with it, where results were added since."""
    earlier = [a for a in store.find(SampleAssessment, point=new.point)
               if a.id != new.id and not set(a.results).isdisjoint(new.results)]
    return _change(store, new, max(earlier, key=lambda a: a.at, default=None), new.point, new.taken.date())


def _change(store: Store, new: StoredAssessment | SampleAssessment, old: StoredAssessment | SampleAssessment | None,
            point_id: str | None, on: date) -> AssessmentChange:
    point = None if point_id is None else store.get(SamplingPoint, point_id)
    return AssessmentChange(
        assessment=new.id, reading=new.reading if isinstance(new, StoredAssessment) else "", on=on,
        site_name="" if point is None else store.get(Site, point.site).name,
        point_name="" if point is None else point.name, before=None if old is None else old.verdict, after=new.verdict,
        step_before="" if old is None else old.assessment.plan.next_step, step=new.assessment.plan.next_step)
