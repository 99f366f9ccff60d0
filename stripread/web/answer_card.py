"""View model of the answer to a photograph just taken: verdict in one line, next action, values, what to do again."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final

from assess.assessment import Assessment
from assess.decision import VERDICTS, Verdict
from assess.judgement import Judgement
from shared.analytes import ANALYTES, input_name
from shared.estimate import Z95
from shared.flags import Flag
from shared.notation import Notation, significant
from stripread.intake.process import IntakeResult
from stripread.reading.result import PadReading, Reading
from stripread.report.figures.window import Tone, ValueRow, own_judgement, tone, value_rows
from stripread.report.picture import PhotoView, photo_view
from stripread.report.verdicts import VERDICT_WORDS
from stripread.web.capture import all_flags, should_retake
from stripread.web.worker_process import PhotoThumbnails

#: Criteria named in the verdict's line.
_NAMED: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondStrip:
    """What a second strip is expected to gain: half-width of the 95 % interval with one strip and with two.

    ``percent``: the probability that it gives a verdict; 0 where that is hardly possible.
    """

    name: str
    now: str
    then: str
    unit: str
    percent: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerCard:
    """``reading``: its id, "" where the photograph could not be evaluated; ``why``: why it has no result or verdict.

    ``again``: the photograph should be retaken, as the ``flags`` say.
    """

    reading: str
    tone: Tone
    verdict: str
    why: str
    next_step: str
    rows: list[ValueRow]
    flags: tuple[Flag, ...]
    again: bool
    photo: PhotoView | None
    second: SecondStrip | None


def answer_card(taken: IntakeResult, views: PhotoThumbnails | None, notation: Notation) -> AnswerCard:
    """Return the card of a stored photograph; ``views``: its thumbnails, None where it cannot be decoded."""
    stored = taken.reading
    judged = None if taken.assessment is None else taken.assessment.assessment
    reading = stored.reading if stored else None
    measured = reading is not None and reading.status == "measured"
    return AnswerCard(
        reading=stored.id if stored else "", tone=verdict_tone(judged) if measured else "nr",
        verdict=verdict_line(judged) if judged and measured else "",
        why=notation.prose((reading.reason if reading else "") or taken.why),
        next_step=notation.prose(judged.plan.next_step) if judged and measured else "",
        rows=value_rows(reading.pads, judged, notation) if reading and measured else [],
        flags=all_flags(reading) if reading else (), again=reading is not None and should_retake(reading),
        photo=_photo(stored.id, reading, views) if stored and reading and views else None,
        second=_second_strip(reading, judged, notation) if reading and judged and measured else None)


def _photo(id_: str, reading: Reading, views: PhotoThumbnails) -> PhotoView:
    return photo_view(reading, f"/readings/{id_}/picture", (views.width, views.height),
                      "strip" if reading.status == "measured" else "card")


def verdict_tone(assessment: Assessment | None) -> Tone:
    """Return the tone of the most severe verdict."""
    return tone(_worst(assessment)) if assessment else "nr"


def _worst(assessment: Assessment) -> Verdict:
    return max(assessment.verdicts.values(), key=VERDICTS.index, default="within-limits")


def verdict_line(assessment: Assessment) -> str:
    """Return the most severe verdict and what it concerns, in one line."""
    worst = _worst(assessment)
    word = VERDICT_WORDS[worst][2].removesuffix(":")
    if worst == "within-limits":
        return word
    concerned = [j for j in assessment.judgements if j.verdict == worst and j.severity != "information"]
    names = list(dict.fromkeys(j.name for j in concerned if not j.not_measured))
    if not names:
        return f"{word}: {_some(sorted({input_name(a) for j in concerned for a in j.not_measured}))} not measured"
    return f"{word}: {_some(names)}"


def _some(names: list[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"{', '.join(names[:_NAMED])}{more}"


def _second_strip(reading: Reading, assessment: Assessment, notation: Notation) -> SecondStrip | None:
    """Return the gain for the inconclusive value that a second strip most probably settles; None if all are decided."""
    inconclusive = [(judged, pad) for pad in reading.pads if (judged := _inconclusive(pad, assessment))]
    if not inconclusive:
        return None
    judged, pad = max(inconclusive, key=lambda each: each[0].second_strip_percent)
    systematic, random = (sqrt(sum(p.u**2 for p in pad.budget if p.shared is shared)) for shared in (True, False))
    now, then = (notation.mark(significant(notation.express(Z95 * sqrt(systematic**2 + random**2 / n), pad.unit), 2))
                 for n in (1, 2))
    return SecondStrip(name=ANALYTES[pad.analyte].name, now=now, then=then, unit=notation.unit_for(pad.unit),
                       percent=judged.second_strip_percent)


def _inconclusive(pad: PadReading, assessment: Assessment) -> Judgement | None:
    judged = own_judgement(assessment, pad.analyte)
    return judged if pad.value is not None and judged is not None and judged.verdict == "inconclusive" else None
