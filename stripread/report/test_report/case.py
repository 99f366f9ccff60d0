"""Everything that is kept about one reading, and what a report needs beside it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from calibration.release import state_of
from stripread.store.models.evidence import LabResult, Photograph, StoredAssessment
from stripread.store.models.materials import Batch, StoredChart
from stripread.store.reading_history import ReadingHistory, load_history
from stripread.store.sign_ins import names_of
from stripread.store.store import Store

#: A laboratory's result is shown beside a reading of the same point where the samples lie no farther apart.
BESIDE: Final = timedelta(days=31)


@dataclass(frozen=True, slots=True)
class Case:
    """What is kept ``of`` a reading; ``names`` of accounts, those that were given one."""

    of: ReadingHistory
    chart: StoredChart
    batch: Batch | None
    laboratory: tuple[LabResult, ...]
    names: dict[str, str]

    @property
    def assessment(self) -> StoredAssessment | None:
        """The current assessment."""
        return self.of.assessment

    @property
    def chart_state(self) -> tuple[str, ...]:
        """How the chart stood when the reading was made, as flags; none: it was released."""
        kept = self.of.reading
        return state_of(kept.chart, self.of.releases, now=kept.at)

    def person(self, account: str) -> str:
        """An account with its person's name, if that is known."""
        return f"{self.names[account]} ({account})" if account in self.names else account


def case_of(store: Store, reading: str) -> Case:
    """All about a reading. Raises RecordsError where there is none of this id."""
    found = load_history(store, reading)
    acted = {found.reading.account, found.photograph.account,
             *(review.account for review in found.reviews), *(c.account for c in found.corrections)}
    return Case(of=found, chart=store.get(StoredChart, found.reading.chart),
                batch=None if found.photograph.batch is None else store.get(Batch, found.photograph.batch),
                laboratory=tuple(_laboratory(store, found.photograph)), names=names_of(store, acted))


def _laboratory(store: Store, photograph: Photograph) -> list[LabResult]:
    """Results of the same sampling point that were taken about the same time and do not stand struck out."""
    if photograph.point is None:
        return []
    about = photograph.dipped or photograph.received
    return sorted((r for r in store.find(LabResult, point=photograph.point)
                   if r.struck is None and abs(r.taken - about) <= BESIDE), key=lambda r: (r.taken, r.analyte))
