"""All records of one reading with those that its report needs, and the facts that a report states.

Editions of a report are compared by their facts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from calibration.release import state_of
from stripread.report.document.model import Bullets, DocumentTable, Facts, Section, Text
from stripread.store.models.evidence import LabResult, Photograph, StatedFact, StoredAssessment
from stripread.store.models.materials import Batch, StoredChart
from stripread.store.reading_history import ReadingHistory, load_history
from stripread.store.sign_ins import names_of
from stripread.store.store import Store

#: Longest time between a reading and a laboratory result of the same sampling point that is shown with it.
COMPARABLE: Final = timedelta(days=31)


@dataclass(frozen=True, slots=True)
class Case:
    """Records ``of`` a reading; ``names``: by account, where a name is stored."""

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
        """Release status of the chart when the reading was made, as flags; empty: released."""
        record = self.of.reading
        return state_of(record.chart, self.of.releases, now=record.at)

    def person(self, account: str) -> str:
        """Return an account with its name, if one is stored."""
        return f"{self.names[account]} ({account})" if account in self.names else account


def case_of(store: Store, reading: str) -> Case:
    """Return all records of a reading. Raises RecordsError for an unknown id."""
    found = load_history(store, reading)
    acted = {found.reading.account, found.photograph.account,
             *(review.account for review in found.reviews), *(c.account for c in found.corrections)}
    return Case(of=found, chart=store.get(StoredChart, found.reading.chart),
                batch=None if found.photograph.batch is None else store.get(Batch, found.photograph.batch),
                laboratory=tuple(_laboratory(store, found.photograph)), names=names_of(store, acted))


def _laboratory(store: Store, photograph: Photograph) -> list[LabResult]:
    """Valid laboratory results of the same sampling point, taken about the same time."""
    if photograph.point is None:
        return []
    about = photograph.dipped or photograph.received
    return sorted((r for r in store.find(LabResult, point=photograph.point)
                   if r.struck is None and abs(r.taken - about) <= COMPARABLE), key=lambda r: (r.taken, r.analyte))


def facts_of(sections: Iterable[Section]) -> tuple[StatedFact, ...]:
    """Return the facts stated by sections. Photographs and plots are excluded: they follow from the facts."""
    return tuple(StatedFact(f"{section.title}: {name}" if name else section.title, words)
                 for section in sections for block in section.blocks for name, words in _texts(block))


def _texts(block: object) -> Iterator[tuple[str, str]]:
    match block:
        case Facts():
            yield from block.rows
        case DocumentTable():
            yield from ((row[0].words, "; ".join(filter(None, (cell.words for cell in row[1:])))) for row in block.rows)
        case Bullets():
            yield "", " ".join(block.items)
        case Text():
            yield "", block.words
