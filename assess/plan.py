"""What to do next: what to measure first, what to install or adjust, or nothing; when to replace and to test again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

import msgspec

from assess.choice import LEAST_GAIN, MARGIN
from assess.comparison import describe, listed, why_not_less, why_not_more
from assess.diagnosis.result import UnitDiagnosis
from assess.draws import Interval
from assess.equipment import Equipment
from assess.judgement import Judgement
from assess.options import Option, Options, distance
from assess.treatment.upkeep import PartLife
from shared.analytes import capitalise, input_name

#: Days between tests where everything is within limits, and where something is inconclusive; the share of a unit's life
#: after which it is tested, and the shortest interval worth the visit. Common practice, no source.
_TEST_DAYS: Final = 90
_TEST_DAYS_OPEN: Final = 30
_TEST_SHARE_OF_LIFE: Final = 1 / 3
_SHORTEST_TEST_DAYS: Final = 14
_CHECK_UNIT: Final = (
    "Check the setting and the remaining capacity of the unit, and test its feed water on the same day.")
_TEST_AFTER: Final = "Then flush it, test the treated water and compare."
_SOFTENED: Final = (
    "The water looks softened, or it is a natural sodium bicarbonate water. Ask whether there is a softener. If there "
    "is: test the water upstream of it, feed the machine from there or open the bypass of the softener, and assess "
    "again.")
#: Noticeable differences from which the cost of untreated water in the cup is stated.
_STATED_COST: Final = 0.5


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """``option``: what to do, "none" included. ``closest``: id of the option closest to the target, where it differs.

    ``first``: what would resolve inconclusive verdicts, before anything is bought. ``why_not`` and ``why_not_less``:
    what the next higher and the next lower level would gain and cost. ``missing``: what the assessment lacks, in one
    line. ``parts``: lives of the parts, with the date due for an installed unit whose day of installation is known.
    """

    next_step: str
    first: tuple[str, ...]
    option: Option
    closest: str | None
    why_not: str
    missing: str
    change_in_litres: Interval | None
    change_in_days: Interval | None
    change_on: date | None
    test_in_days: int
    yearly_cost: float | None
    currency: str | None
    why_not_less: str = ""
    parts: tuple[PartLife, ...] = ()


def plan(judgements: tuple[Judgement, ...], options: Options, equipment: Equipment,
         diagnosis: UnitDiagnosis | None = None) -> Plan:
    """Return the plan for a tap with these judgements and options."""
    open_ = tuple(j for j in judgements if j.verdict == "inconclusive" and j.severity != "information")
    sentence, chosen = _next_step(judgements, options, equipment, diagnosis)
    installed = equipment.treatment.installed if equipment.treatment and chosen.installed else None
    due = None if installed is None or chosen.days is None else installed + timedelta(days=round(chosen.days.value))
    measures = options.measure_first is not None or equipment.downstream_of is not None
    return Plan(
        next_step=sentence, first=tuple(dict.fromkeys(_first(open_))), option=chosen,
        closest=options.closest if options.closest != chosen.id else None,
        why_not="" if measures else why_not_more(options, chosen),
        why_not_less="" if measures else why_not_less(options, chosen),
        missing=_missing(judgements, chosen), change_in_litres=chosen.litres, change_in_days=chosen.days, change_on=due,
        test_in_days=_test_days(chosen, open_), yearly_cost=chosen.yearly_cost, currency=chosen.currency,
        parts=tuple(_due(p, installed) for p in chosen.parts))


def _due(part: PartLife, installed: date | None) -> PartLife:
    """The part with the date on which it is due, where the day of installation is known."""
    on = None if installed is None else installed + timedelta(days=round(part.days.value))
    return msgspec.structs.replace(part, on=on)


def _next_step(judgements: tuple[Judgement, ...], options: Options, equipment: Equipment,
               diagnosis: UnitDiagnosis | None) -> tuple[str, Option]:
    best, tap = options.all[0], next(o for o in options.all if o.kind == "none")
    if equipment.downstream_of is not None:
        return _downstream(judgements, equipment.downstream_of, diagnosis), tap
    if options.installed is not None:
        return _with_installed(options, options.installed)
    if options.measure_first is not None:
        analyte = input_name(options.measure_first)
        return f"Measure {analyte} before installing anything: it decides which treatment fits.", tap
    return _untreated(judgements, best) if best.kind == "none" else _treat(best), best


def _treat(best: Option) -> str:
    if best.kind == "softener-bypass":
        return _SOFTENED
    action = f"Install nothing; {describe(best)}." if best.kind == "drain-and-refresh" else f"Install {describe(best)}."
    if best.loss.beyond > 0 and (out := out_of_limits(best)):
        return f"{action} It is the closest option; no option in the list keeps {listed(out)} within limits."
    return action if best.kind == "drain-and-refresh" else f"{action} {_TEST_AFTER}"


def _untreated(judgements: tuple[Judgement, ...], tap: Option) -> str:
    """The sentence where nothing is to be installed: it claims no more than the verdicts do."""
    out, open_ = _names(judgements, "out-of-limits"), _names(judgements, "inconclusive")
    unread = _unread(judgements)
    if out and tap.loss.beyond > 0:
        return f"No option in the list brings {listed(out)} within limits."
    if out == ["pH"]:
        return ("Install nothing: only pH is out of limits, and pH is hard to change. After standing in air it is "
                f"{tap.outlet.ph_after_standing.value:.1f}.")
    if out:
        return f"Install nothing: {listed(out)} out of limits, but no treatment gains enough. {_cup_cost(tap)}"
    if unread:
        acceptable = "The measured values are acceptable. " if _names(judgements, "within-limits") else ""
        return f"{acceptable}Measure {listed(unread)} before installing anything."
    if open_:
        return f"Measure again before installing anything. Nothing is out of limits; inconclusive: {listed(open_)}."
    step = "The tap water needs only a particle filter."
    return step if tap.loss.total < _STATED_COST else f"{step} {_cup_cost(tap)}"


def _cup_cost(tap: Option) -> str:
    return f"Untreated, it is {distance(tap.loss)}."


def _names(judgements: tuple[Judgement, ...], verdict: str) -> list[str]:
    return list(dict.fromkeys(j.title for j in judgements if j.verdict == verdict and j.severity != "information"))


def out_of_limits(option: Option) -> list[str]:
    """Return the names of the criteria that are out of limits with this option."""
    return [o.name for o in option.outcomes if o.verdict == "out-of-limits" and o.severity != "information"]


def _unread(judgements: tuple[Judgement, ...]) -> list[str]:
    return sorted({input_name(a) for j in judgements for a in j.not_measured if j.severity != "information"})


def _downstream(judgements: tuple[Judgement, ...], unit: str, diagnosis: UnitDiagnosis | None) -> str:
    """The action first, then what a sample of treated water shows; nothing is installed because of it."""
    out = _names(judgements, "out-of-limits")
    open_ = _names(tuple(j for j in judgements if not j.not_measured), "inconclusive")
    unread = _unread(judgements)
    measure = (f"Measure again: {listed(open_)}." if open_ else f"Measure {listed(unread)}." if unread else
               "No change is needed.")
    action = _imperative(diagnosis.action) if diagnosis is not None else _CHECK_UNIT if out else ""
    verdict = (f"out of limits: {listed(out)}" if out else "inconclusive" if open_ or unread else "within limits")
    return " ".join(filter(None, (
        action or ("" if out else measure), f"Downstream of {unit} this water is {verdict}.",
        "" if diagnosis is None else diagnosis.sentence)))


def _imperative(action: str) -> str:
    return f"{capitalise(action)}." if action else ""


def _with_installed(options: Options, installed: Option) -> tuple[str, Option]:
    best = options.all[0]
    same = next((o for o in options.all if o.id == installed.id and o is not installed), best)
    good = [o for o in (installed, same, best) if o.loss.beyond <= best.loss.beyond + 1e-9]
    serves = installed in good and installed.loss.total <= best.loss.total + MARGIN
    if serves and not installed.broken:
        return f"Keep {describe(installed)}.", installed
    gains = same.loss.beyond < installed.loss.beyond or same.loss.total < installed.loss.total - LEAST_GAIN
    if gains and same in good and same.loss.total <= best.loss.total + MARGIN:
        return f"Adjust the installed unit: {describe(same)}. {_TEST_AFTER}", same
    cannot = _cannot(installed)
    if best.loss.beyond >= installed.loss.beyond and best.loss.total >= installed.loss.total:
        return f"Keep the installed unit. {cannot}, but no other option in the list does better.", installed
    return f"{_replace(best)}. {cannot}.", best


def _replace(better: Option) -> str:
    """The action by which an option takes the place of the installed unit."""
    if better.kind == "none":
        return "Remove the installed unit"
    return (f"Remove the installed unit; {describe(better)}" if better.kind == "drain-and-refresh" else
            f"Replace the installed unit with {describe(better)}")


def _cannot(installed: Option) -> str:
    out = out_of_limits(installed)
    what = f"keep {listed(out)} within limits" if out else "bring the water close enough to the target"
    return f"The installed unit cannot {what}"


def _missing(judgements: tuple[Judgement, ...], chosen: Option) -> str:
    """One line on what the assessment lacks."""
    unread = _unread(judgements)
    parts = [f"not measured: {', '.join(unread)}"] if unread else []
    if chosen.consumption is not None and chosen.consumption.without_price:
        parts.append(f"no price on file for {', '.join(chosen.consumption.without_price)}")
    return capitalise("; ".join(parts)) + "." if parts else ""


def _first(open_: tuple[Judgement, ...]) -> Iterator[str]:
    """What to measure first, the most severe criterion first."""
    for j in open_:
        yield j.decides if j.not_measured else f"{capitalise(j.title)}: {j.decides[:1].lower()}{j.decides[1:]}"


def _test_days(chosen: Option, open_: tuple[Judgement, ...]) -> int:
    days = float(_TEST_DAYS_OPEN if open_ else _TEST_DAYS)
    if chosen.days is not None:
        days = min(days, max(_SHORTEST_TEST_DAYS, chosen.days.value * _TEST_SHARE_OF_LIFE))
    return round(days)
