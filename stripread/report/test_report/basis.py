"""Basis of the results: all records of the reading, item and sampling, method and deviations, photograph, review.

Editions of a report are compared by their facts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from calibration.release import state_of
from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.flags import FLAGS, in_order
from shared.notation import significant
from stripread.reading.result import PadReading, Reading
from stripread.report.colorimetry import lamp_colour
from stripread.report.document.model import (
    Bullets,
    Cell,
    DocumentTable,
    Facts,
    PhotoRow,
    Section,
    Text,
    facts,
    number,
    row,
)
from stripread.report.evidence import Drawing, pictures
from stripread.report.text import Tone
from stripread.review.session import FAULTS
from stripread.store.models.evidence import LabResult, Photograph, Review, StatedFact, StoredAssessment
from stripread.store.models.materials import Batch, StoredChart
from stripread.store.reading_history import ReadingHistory, load_history
from stripread.store.reading_status import REVIEW_STATUS_NAMES, ReviewStatus
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
    history = load_history(store, reading)
    acted = {history.reading.account, history.photograph.account,
             *(review.account for review in history.reviews), *(c.account for c in history.corrections)}
    return Case(of=history, chart=store.get(StoredChart, history.reading.chart),
                batch=None if history.photograph.batch is None else store.get(Batch, history.photograph.batch),
                laboratory=tuple(_laboratory(store, history.photograph)), names=names_of(store, acted))


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


#: Flags on the condition of the item, and flags on its results; all others are deviations from the method.
_CONDITION = frozenset({"not-reacted", "pad-covered", "water-coloured", "strip-reversed", "no-strip", "off-chart",
                        "strip-unlike-chart"})
_RESULT = frozenset({"below-range", "above-range", "two-values"})
_METHOD = ("The pad colours are corrected with the reference card in the same photograph and converted to "
           "concentrations with the calibration chart of the strip batch.")
_PARTS = ("Standard uncertainties of the components (JCGM 100:2008). The intrinsic uncertainty of the strip's "
          "chemistry is included only if the strip type states it.")
#: Longer side of the photograph in a report, pixels.
_LONGEST_PX = 1000
_TONES: dict[ReviewStatus, Tone] = {"accepted": "good", "rejected": "bad"}


def item(case: Case) -> Section:
    """Section on the item tested, its condition and the sampling."""
    shot, flags = case.of.photograph, _flags(case)
    condition = " ".join(FLAGS[f].meaning for f in flags if f in _CONDITION)
    return Section("Item tested, and sampling", (facts((
        ("Item", "water from the sampling point, tested with a dip strip that was photographed with a reference card"),
        ("Site", f"{case.of.site.name} ({case.of.site.id})" if case.of.site else None),
        ("Sampling point", f"{case.of.point.name}, {case.of.point.place} ({case.of.point.id})" if case.of.point else
         "not stated"),
        ("Sampled", f"{moment(shot.dipped)}, as stated by account {shot.account}" if shot.dipped else
         "time of dipping not recorded"),
        ("Sampling method", "one strip, dipped manually; this report does not cover how the water sample was taken"),
        ("Strip", _strip(case)),
        ("Photographed", f"{shot.taken.replace('T', ' ')} (camera clock)" if shot.taken else
         "time not in the file"),
        ("Received", moment(shot.received)),
        ("Photograph", f"{shot.name}, SHA-256 {shot.id}"),
        ("Condition", condition or "no defect that affects the results"),
        ("Note", shot.note),
    )),))


def method(case: Case) -> Section:
    """Section on the method and the deviations from it."""
    stored = case.of.reading
    reading, made = stored.reading, stored.reading.provenance
    return Section("Method", (facts((
        ("Method", _METHOD),
        ("Software", f"{made.software}; " + ", ".join(f"{n} {v}" for n, v in made.libraries.items())),
        ("Chart", f"batch {made.batch}, SHA-256 {made.chart}"),
        ("Card", f"print run {reading.card.run}, measured profile {made.profile or 'none'}" if reading.card else None),
        ("Light", _light(reading)),
        ("Decoded pixels", f"{_size(made.evaluated_px)}SHA-256 {made.pixels_sha256}"),
        ("Performed", f"{moment(stored.at)} by {case.person(stored.account)}, reading {stored.id}"),
    )), Text("Deviations from the method:"), Bullets(tuple(_deviations(case)))))


def _size(px: tuple[int, int] | None) -> str:
    return f"{px[0]} x {px[1]}, " if px else ""


def _light(reading: Reading) -> str | None:
    """Return the CIE illuminant that the light resembles most, with its colour."""
    if reading.light is None:
        return None
    return f"closest to CIE {reading.light.nearest} ({lamp_colour(reading.light.nearest).words})"


def uncertainty(case: Case) -> Section | None:
    """Section with the uncertainty budgets: a row for each component, a column for each analyte."""
    pads = [pad for pad in case.of.reading.reading.pads if any(part.u > 0 for part in pad.budget)]
    if not pads:
        return None
    parts = dict.fromkeys((part.name, part.shared) for pad in pads for part in pad.budget if part.u > 0)
    head = ("Component", *(f"{ANALYTES[pad.analyte].name} [{pad.unit}]" for pad in pads), "Effect")
    rows = tuple(row(name, *(number(_u(pad, name)) for pad in pads),
                     "systematic" if shared else "random") for name, shared in parts)
    return Section("Uncertainty", (Text(_PARTS, "soft"), DocumentTable("Uncertainty", head, rows)))


def _u(pad: PadReading, part: str) -> str:
    """Return the standard uncertainty of a component, or an empty text."""
    return next((significant(p.u, 2) for p in pad.budget if p.name == part and p.u > 0), "")


def photograph(case: Case, store: Store, drawing: Drawing) -> Section:
    """Section with the photograph; only its pixels are included in the report."""
    try:
        photos = pictures(store, case.of.reading, drawing, longest=_LONGEST_PX)
    except InputError as error:
        return Section("Photograph", (Text(f"The photograph cannot be shown. {error.message}", "open"),))
    return Section("Photograph", (PhotoRow(photos, across=2),))


def review(case: Case, review_status: ReviewStatus) -> Section:
    """Section with the reviewers' decisions."""
    head = ("On", "By", "Decision", "Reason")
    rows = tuple(_review(case, r) for r in case.of.reviews)
    tone = _TONES.get(review_status, "open")
    decided = Text(f"{REVIEW_STATUS_NAMES[review_status].capitalize()}.", tone, strong=True)
    return Section("Review", (decided, DocumentTable("Review", head, rows)) if rows else (decided,), edge=tone)


def moment(at: datetime | None) -> str:
    """Return a time in the format of reports."""
    return "" if at is None else f"{at:%Y-%m-%d %H:%M %Z}".strip()


def _review(case: Case, r: Review) -> tuple[Cell, ...]:
    why = "; ".join(filter(None, (r.fault and FAULTS[r.fault], r.why, "reviewer's own reading, as the settings allow"
                                  if r.own else "")))
    return row(number(f"{r.at:%Y-%m-%d %H:%M:%S %Z}"), case.person(r.account), r.decision.replace("-", " "), why)


def _strip(case: Case) -> str:
    shot, batch = case.of.photograph, case.batch
    parts = (case.chart.chart.strip.name, f"batch {case.of.reading.reading.provenance.batch}",
             f"tube {shot.tube}" if shot.tube else "", f"expires {batch.expires}" if batch and batch.expires else "")
    return ", ".join(filter(None, parts))


def _flags(case: Case) -> tuple[str, ...]:
    return in_order(frozenset(case.of.reading.flags.split()))


def _deviations(case: Case) -> Iterator[str]:
    reading = case.of.reading.reading
    meanings = [FLAGS[f].meaning for f in in_order({*_flags(case), *case.chart_state}) if f not in _CONDITION | _RESULT]
    if reading.placed_by_hand:
        meanings.append(f"{reading.placed_by_hand.capitalize()}.")
    if case.of.reading.supersedes:
        meanings.append(f"This reading supersedes reading {case.of.reading.supersedes}.")
    yield from meanings or ["none"]
