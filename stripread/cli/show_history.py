"""All that is kept about a reading, as text for a person."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from assess.decision import VERDICT_NAMES
from calibration.release import state_of
from shared.analytes import ANALYTES
from shared.flags import FLAGS
from shared.text import format_estimate
from stripread.cli.show_reading import as_text
from stripread.report.verdicts import headlines
from stripread.store.audit_trail import AuditEntry
from stripread.store.lookup import short_id
from stripread.store.models.record import stamp
from stripread.store.reading_history import ReadingHistory
from stripread.store.reading_status import STANDINGS


def history_text(d: ReadingHistory) -> str:
    """Reading, place, photograph, chart, verdicts, reviews, corrections, audit trail; times in UTC."""
    return "\n".join((
        f"reading {d.reading.id}", as_text(d.reading.reading), "", *_place(d), *_photograph(d), *_made(d),
        *_judged(d), *_reviewed(d), "audit trail", *map(_entry, d.entries)))


def _place(d: ReadingHistory) -> Iterator[str]:
    names = [place.name for place in (d.group, d.site, d.point) if place]
    yield f"place       {', '.join(names) or 'not stated'}{f' ({d.point.place})' if d.point else ''}"


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
    yield f"  chart     {short_id(made.chart)} of batch {made.batch}; at that time {_state(d, d.reading.at)}"
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
    yield f"review      {STANDINGS[d.standing]}"
    for review in d.reviews:
        yield f"  {_time(review.at)} {review.decision} by account {review.account}. {review.why}".rstrip()
    for correction in d.corrections:
        name = "" if correction.analyte == "ph" else f"{ANALYTES[correction.analyte].name} "
        yield (f"  {_time(correction.at)} {name}{format_estimate(correction.estimate)} in addition to the measured "
               f"value, by account {correction.account}. {correction.why}")


def _entry(entry: AuditEntry) -> str:
    why = f": {entry.why}" if entry.why else ""
    what = f"{entry.kind} {short_id(entry.record)} {entry.action}{why}"
    return f"  {entry.seq}  {_text_time(entry.when)}  {entry.who}  {what}"


def _time(moment: datetime) -> str:
    return _text_time(stamp(moment))


def _text_time(text: str) -> str:
    return text[:16].replace("T", " ")
