"""Basis of the results: item and sampling, method and deviations, uncertainty, photograph, review."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

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
    PhotoRow,
    Section,
    Text,
    facts,
    number,
    row,
)
from stripread.report.evidence import Drawing, pictures
from stripread.report.test_report.case import Case
from stripread.report.text import Tone
from stripread.review.session import FAULTS
from stripread.store.models.evidence import Review
from stripread.store.reading_status import REVIEW_STATUS_NAMES, ReviewStatus
from stripread.store.store import Store

#: Flags on the condition of the item, and flags on its results; all others are deviations from the method.
_CONDITION = frozenset({"not-reacted", "pad-covered", "water-coloured", "strip-reversed", "no-strip", "off-chart"})
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
        ("Decoded pixels", f"SHA-256 {made.pixels_sha256}"),
        ("Performed", f"{moment(stored.at)} by {case.person(stored.account)}, reading {stored.id}"),
    )), Text("Deviations from the method:"), Bullets(tuple(_deviations(case)))))


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
    return row(number(f"{r.at:%Y-%m-%d %H:%M:%S %Z}"), case.person(r.account), r.decision, why)


def _strip(case: Case) -> str:
    shot, batch = case.of.photograph, case.batch
    parts = (case.chart.chart.strip.name, f"batch {case.of.reading.reading.provenance.batch}",
             f"tube {shot.tube}" if shot.tube else "", f"expires {batch.expires}" if batch and batch.expires else "")
    return ", ".join(filter(None, parts))


def _flags(case: Case) -> tuple[str, ...]:
    return in_order(frozenset(case.of.reading.flags.split()))


def _deviations(case: Case) -> Iterator[str]:
    reading = case.of.reading.reading
    found = [FLAGS[f].meaning for f in in_order({*_flags(case), *case.chart_state}) if f not in _CONDITION | _RESULT]
    if reading.placed_by_hand:
        found.append(f"{reading.placed_by_hand.capitalize()}.")
    if case.of.reading.supersedes:
        found.append(f"This reading supersedes reading {case.of.reading.supersedes}.")
    yield from found or ["none"]
