"""Stored readings on the terminal: lists, the history of one, differences after a reanalysis."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

from assess.decision import VERDICT_NAMES
from calibration.release import state_of
from shared.analytes import ANALYTES
from shared.flags import FLAGS
from shared.text import format_estimate, written
from stripread.cli.output import width
from stripread.cli.show_reading import as_text
from stripread.report.verdicts import headlines
from stripread.review.reanalysis.comparison import (
    Outcome,
    ReadingComparison,
    ReanalysisSummary,
    ValueChange,
    VerdictChange,
)
from stripread.store.audit_trail import AuditEntry
from stripread.store.lookup import short_id
from stripread.store.models.record import stamp
from stripread.store.reading_history import ReadingHistory
from stripread.store.reading_query import ReadingRow
from stripread.store.reading_status import REVIEW_STATUS_NAMES

_HEAD: Final = ("reading", "sampled (UTC)", "site", "point", "verdict", "review")


def list_lines(readings: Sequence[ReadingRow]) -> Iterator[str]:
    """Yield a line for each reading and, below it, its values and flags."""
    rows = [_HEAD, *map(_cells, readings)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    fits = sum(widths) + 2 * (len(widths) - 1) <= width()
    yield from _row(_HEAD, widths, fits=fits) if fits else ()
    for listed, cells in zip(readings, rows[1:], strict=True):
        yield from _row(cells, widths, fits=fits)
        yield from _wrapped([*_values(listed), *(f"! {flag}" for flag in listed.flags)])


def _row(cells: Sequence[str], widths: Sequence[int], *, fits: bool) -> Iterator[str]:
    if fits:
        yield "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()
    else:
        yield "  ".join((*cells[:2], cells[4]))
        yield from _wrapped([f"{cells[2]}, {cells[3]}", *([cells[5]] if cells[5] != "-" else ())])


def _cells(listed: ReadingRow) -> tuple[str, ...]:
    verdict = "no result" if listed.status == "no-result" else VERDICT_NAMES[listed.verdict] if listed.verdict else "-"
    review = " ".join(("" if listed.reviewed == "unreviewed" else listed.reviewed, "corrected" * listed.corrected,
                       "superseded" * (listed.superseded_by is not None))).split()
    return (short_id(listed.id), listed.sampled[:16].replace("T", " "), listed.site_name or "-",
            listed.point_name or "-", verdict, ", ".join(review) or "-")


def _values(listed: ReadingRow) -> Iterator[str]:
    """Yield the measured values in the analytes' own units."""
    for v in listed.values:
        yield f"{v.analyte} {written(v, ANALYTES[v.analyte].unit, status=v.status).value}"


def _wrapped(parts: Sequence[str]) -> Iterator[str]:
    """Yield parts, separated by semicolons and never broken, on indented lines."""
    line = "    "
    for i, part in enumerate(parts):
        piece = part + ("; " if i + 1 < len(parts) else "")
        if len(line) + len(piece.rstrip()) > width() and line.strip():
            yield line.rstrip()
            line = "    "
        line += piece
    if line.strip():
        yield line.rstrip()


def history_text(d: ReadingHistory) -> str:
    """Reading, place, photograph, chart, verdicts, reviews, corrections, audit trail; times in UTC."""
    return "\n".join((
        f"reading {d.reading.id}", as_text(d.reading.reading), "", *_place(d), *_photograph(d), *_made(d),
        *_judged(d), *_reviewed(d), "audit trail", *map(_entry, d.entries)))


def _place(d: ReadingHistory) -> Iterator[str]:
    names = [place.name for place in (d.group, d.site, d.point) if place]
    yield f"point       {', '.join(names) or 'not stated'}{f' ({d.point.place})' if d.point else ''}"


def _photograph(d: ReadingHistory) -> Iterator[str]:
    p = d.photograph
    yield f"photograph  {p.name}, {p.size} bytes, by account {p.account}"
    yield f"  SHA-256   {p.id}"
    yield f"  received  {_time(p.received)}"
    yield f"  taken     {f'{p.taken} by the camera' if p.taken else 'not stated in the file'}"
    yield f"  sampled   {_time(p.sampled)}"
    yield f"  dipped    {_time(p.dipped) if p.dipped else 'not stated'}"
    for name in ("tube", "card", "phone", "standard", "note"):
        if value := getattr(p, name):
            yield f"  {name:9} {value}"
    if p.removed:
        yield f"  purged    {_time(p.removed)}: the file is no longer stored"


def _made(d: ReadingHistory) -> Iterator[str]:
    made = d.reading.reading.provenance
    yield f"evaluated   {_time(d.reading.at)} by account {d.reading.account}, {made.software}"
    yield f"  chart     {short_id(made.chart)} of batch {made.batch}; then {_state(d, d.reading.at)}"
    if d.reading.supersedes:
        yield f"  supersedes {d.reading.supersedes}"
    if d.superseded_by:
        yield f"  SUPERSEDED by {d.superseded_by}"


def _state(d: ReadingHistory, at: datetime) -> str:
    flags = state_of(d.reading.chart, d.releases, now=at)
    return ", ".join(FLAGS[flag].id for flag in flags) or "released"


def _judged(d: ReadingHistory) -> Iterator[str]:
    for kept in d.assessments:
        yield (f"assessed    {_time(kept.at)} for {kept.machine or kept.assessment.equipment.name}: "
               f"{VERDICT_NAMES[kept.verdict]}")
        yield from (f"  {headline.words}" for headline in headlines(kept.assessment))


def _reviewed(d: ReadingHistory) -> Iterator[str]:
    yield f"review      {REVIEW_STATUS_NAMES[d.review_status]}"
    for review in d.reviews:
        decision = review.decision.replace("-", " ")
        yield f"  {_time(review.at)} {decision} by account {review.account}. {review.why}".rstrip()
    for correction in d.corrections:
        name = "" if correction.analyte == "ph" else f"{ANALYTES[correction.analyte].name} "
        yield (f"  {_time(correction.at)} {name}{format_estimate(correction.estimate)} in addition to the measured "
               f"value, by account {correction.account}. {correction.why}")


def _entry(entry: AuditEntry) -> str:
    why = f": {entry.why}" if entry.why else ""
    what = f"{entry.kind} {short_id(entry.record)} {entry.action}{why}"
    return f"  {entry.seq}  {_text_time(entry.when)}  {entry.account}  {what}"


def _time(moment: datetime) -> str:
    return _text_time(stamp(moment))


def _text_time(text: str) -> str:
    return text[:16].replace("T", " ")


_WORDS: Final[dict[Outcome, str]] = {
    "differs": "different", "same-as-shown": "different only in digits that are not printed", "same": "the same",
    "not-evaluated": "not evaluated", "skipped": "skipped"}


def change_lines(one: ReadingComparison) -> Iterator[str]:
    """Yield the changes of a reading that differs or could not be evaluated; nothing for the others."""
    if one.outcome not in ("differs", "not-evaluated"):
        return
    changes = [*map(_shift, one.shifts), *(f"no longer {f}" for f in one.flags_gone),
               *(f"now {f}" for f in one.flags_new), *map(_flip, one.flips)]
    yield f"{short_id(one.id)}  {one.photo}: {one.why or 'different'}"
    yield from (f"    {line}" for line in changes)
    if one.new:
        yield f"    superseded by {short_id(one.new)}"


def _shift(shift: ValueChange) -> str:
    share = "" if shift.share is None else f", {shift.share:.2g} of the interval"
    return f"{ANALYTES[shift.analyte].name}: {shift.was} -> {shift.now}{share}"


def _flip(flip: VerdictChange) -> str:
    was, now = (VERDICT_NAMES[v] if v else "not assessed" for v in (flip.was, flip.now))
    return f"{flip.severity}: {was} -> {now}"


def summary_lines(summary: ReanalysisSummary, *, kept: bool) -> Iterator[str]:
    """Yield how many readings differ, by how much, and why."""
    counts = ", ".join(f"{summary.outcomes[o]} {words}" for o, words in _WORDS.items() if summary.outcomes.get(o))
    yield f"{summary.readings} {'reading' if summary.readings == 1 else 'readings'}: {counts or 'no matching reading'}"
    for reason, number in summary.passed_over.items():
        yield f"  {reason}: {number}"
    for moved in summary.moved:
        yield (f"  {ANALYTES[moved.analyte].name}: {moved.readings} changed, by {moved.median:.2g} of the "
               f"interval (median; largest {moved.largest:.2g})")
    for number, words in ((summary.gained, "values gained"), (summary.lost, "values lost")):
        if number:
            yield f"  {number} {words}"
    for verdict, number in summary.flips.items():
        yield f"  verdict {verdict} in {number}"
    for cause, number in summary.causes.items():
        yield f"  changed {cause}: {number}"
    yield (f"{summary.superseded} superseded; the earlier readings are retained" if kept else
           "no records changed")
