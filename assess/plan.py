"""What to do next: what to find out first, what to install or turn, or nothing; when to change and to test again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

import msgspec

from assess.choice import LEAST_GAIN, MARGIN
from assess.diagnosis.result import UnitDiagnosis
from assess.equipment import Equipment
from assess.interval import Interval
from assess.judgement import Judgement
from assess.limits import SEVERITIES
from assess.options import WORDS, Option, Options
from assess.treatment.levels import is_membrane
from shared.analytes import capitalise, input_name

#: Days between tests where nothing presses, and where something is inconclusive; the share of a unit's life
#: after which it is tested, and the shortest interval worth the way. Common practice, no source.
_TEST_DAYS: Final = 90
_TEST_DAYS_OPEN: Final = 30
_TEST_SHARE_OF_LIFE: Final = 1 / 3
_SHORTEST_TEST_DAYS: Final = 14
_CHECK_UNIT: Final = (
    "Check the setting and the remaining capacity of the unit, and test its feed water on the same day.")
_TEST_AFTER: Final = "Then flush it, test the treated water and compare."
_SOFTENED: Final = (
    "This looks like softened water, or a natural sodium bicarbonate water. Ask whether there is a softener; test the "
    "water upstream of it, draw the machine's water there or open the bypass, and assess again.")
#: Noticeable differences from which an untreated water's cost in the cup is stated.
_STATED_COST: Final = 0.5


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """``option``: what to do, "none" included. ``closest``: id of the option closest to the target, where it differs.

    ``first``: what would decide open verdicts, before money is spent. ``why_not``: what the next option would gain and
    cost. ``missing``: what the answer lacks, in a line.
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


def plan(judgements: tuple[Judgement, ...], options: Options, equipment: Equipment,
         diagnosis: UnitDiagnosis | None = None) -> Plan:
    """The plan for a tap judged so, with these options."""
    open_ = tuple(j for j in judgements if j.verdict == "undecided" and j.severity != "information")
    sentence, chosen = _next_step(judgements, options, equipment, diagnosis)
    installed = equipment.treatment.fitted if equipment.treatment and chosen.installed else None
    due = None if installed is None or chosen.days is None else installed + timedelta(days=round(chosen.days.value))
    return Plan(
        next_step=sentence, first=tuple(dict.fromkeys(_first(open_))), option=chosen,
        closest=options.closest if options.closest != chosen.id else None, why_not=_why_not(options, chosen),
        missing=_missing(judgements, chosen), change_in_litres=chosen.litres, change_in_days=chosen.days, change_on=due,
        test_in_days=_test_days(chosen, open_), yearly_cost=chosen.yearly_cost, currency=chosen.currency)


def _next_step(judgements: tuple[Judgement, ...], options: Options, equipment: Equipment,
               diagnosis: UnitDiagnosis | None) -> tuple[str, Option]:
    best, tap = options.all[0], next(o for o in options.all if o.kind == "none")
    if equipment.downstream_of is not None:
        return f"Downstream of {equipment.downstream_of}. {_downstream(judgements, diagnosis)}", tap
    if options.installed is not None:
        return _with_installed(options, options.installed)
    return _untreated(judgements, best) if best.kind == "none" else _treat(best), best


def _treat(best: Option) -> str:
    if best.kind == "softener-bypass":
        return _SOFTENED
    if best.broken and best.loss.beyond > 0:
        return f"Nothing in the list keeps all within limits: {_out_after(best)}. Closest: {describe(best)}."
    if best.kind == "drain-and-refresh":
        return f"Install nothing; {describe(best)}."
    return f"Install {describe(best)}. {_TEST_AFTER}"


def _untreated(judgements: tuple[Judgement, ...], tap: Option) -> str:
    """The sentence where nothing is to be installed: it never claims more than the verdicts do."""
    out, open_ = _names(judgements, "out"), _names(judgements, "undecided")
    unread = sorted({input_name(a) for j in judgements for a in j.not_measured if j.severity != "information"})
    if out and tap.loss.beyond > 0:
        return f"Nothing in the list can change it: {', '.join(out)} out of limits whatever is tried."
    if out:
        are = "is" if len(out) == 1 else "are"
        return f"No treatment is worth its effort, though {', '.join(out)} {are} out of limits. {_cup_cost(tap)}"
    if unread:
        return f"What was measured is acceptable. Measure {' and '.join(unread)} too before anything is installed."
    if open_:
        return "Nothing is out of limits. Settle what is inconclusive before anything is installed."
    step = "The tap water needs nothing but a particle filter."
    return step if tap.loss.total < _STATED_COST else f"{step} {_cup_cost(tap)}"


def _cup_cost(tap: Option) -> str:
    return f"Untreated it is {tap.loss.total:.1f} noticeable differences from the target."


def _names(judgements: tuple[Judgement, ...], verdict: str) -> list[str]:
    found = (j for j in judgements if j.verdict == verdict and j.severity != "information")
    return list(dict.fromkeys(f"{j.name}, {j.place}" if j.place else j.name for j in found))


def _downstream(judgements: tuple[Judgement, ...], diagnosis: UnitDiagnosis | None) -> str:
    """What a sample of treated water shows of the unit upstream of it; nothing is installed on its account."""
    out, open_ = _names(judgements, "out"), _names(judgements, "undecided")
    verdict = (f"This treated water is out of limits: {', '.join(out)}." if out else
               "This treated water is not shown to be within all limits: settle what is inconclusive." if open_ else
               "This treated water is within limits.")
    if diagnosis is not None:
        return " ".join(filter(None, (verdict, diagnosis.sentence, _imperative(diagnosis.action))))
    if out:
        return f"{verdict} {_CHECK_UNIT}"
    return verdict if open_ else "This treated water is within limits: no change is needed."


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
        return f"Turn the installed unit: {describe(same)}. {_TEST_AFTER}", same
    cannot = "The installed unit cannot keep all within limits" + (
        f": {_out_after(installed)}" if installed.broken else "")
    if best.loss.beyond >= installed.loss.beyond and best.loss.total >= installed.loss.total:
        return f"{cannot}, and nothing in the list does better.", installed
    return f"{cannot}. Better is {describe(best)}.", best


def describe(option: Option) -> str:
    """The option with its setting, in words."""
    parts = [option.name]
    if option.setting is not None and option.setting_name is not None:
        parts.append(f"{option.setting_name} {setting_words(option, option.setting)}")
        low, high = option.passes or (option.setting, option.setting)
        if high > low:
            parts[-1] += f" ({setting_words(option, low)} to {setting_words(option, high)} serve as well)"
    if option.drain_days is not None:
        parts.append(f"and half of the steam boiler drained every {option.drain_days:g} days")
    return ", ".join(parts)


def setting_words(option: Option, setting: float) -> str:
    """A setting as people say it: a share in percent, an interval in days."""
    return f"{setting:g} days" if option.setting_name == "interval" else f"{100 * setting:.0f} %"


def _why_not(options: Options, chosen: Option) -> str:
    """What the next option would gain and cost."""
    other = next((o for o in options.all if o.kind != chosen.kind and not o.installed and not o.breaks
                  and o.loss.beyond <= chosen.loss.beyond), None)
    if other is None or (other.kind in ("none", "test-interval") and chosen.kind == "none"):
        return ""
    gain = chosen.loss.total - other.loss.total
    what = ", ".join(_differences(chosen, other))
    price = _price(other)
    if gain < 0.05:
        return f"{_capital(other.name)} would gain nothing{price}."
    return f"{_capital(other.name)} would gain {gain:.1f} noticeable differences{f' ({what})' if what else ''}{price}."


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _differences(chosen: Option, other: Option) -> Iterator[str]:
    """The values in which the two waters differ most, as the other has them."""
    named = (("hardness", chosen.outlet.hardness, other.outlet.hardness, 10.0),
             ("alkalinity", chosen.outlet.alkalinity, other.outlet.alkalinity, 10.0),
             ("chloride", chosen.outlet.chloride, other.outlet.chloride, 10.0),
             ("sodium", chosen.outlet.sodium, other.outlet.sodium, 10.0))
    for name, mine, its, least in named:
        if abs(mine.value - its.value) >= least:
            yield f"{name} {its.value:.0f} instead of {mine.value:.0f} mg/L"


def _price(other: Option) -> str:
    parts = []
    if is_membrane(other.kind) and other.feed_per_litre is not None:
        parts.append(f"rejects {other.feed_per_litre - 1:.1f} L for each litre")
    if other.dose and other.kind in ("mineral-dosing", "osmosis-doses"):
        parts.append("doses salts into drinking water")
    if other.kind in ("weak-acid-exchange", "magnesium-exchange"):
        parts.append("needs cartridges")
    return f" and {' and '.join(parts)}" if parts else ""


def _missing(judgements: tuple[Judgement, ...], chosen: Option) -> str:
    """One line on what the answer lacks."""
    unread = sorted({input_name(a) for j in judgements for a in j.not_measured})
    parts = [f"not measured: {', '.join(unread)}"] if unread else []
    if chosen.consumption is not None:
        parts.append(f"no price on file for {', '.join(chosen.consumption.without_price)}")
    return _capital("; ".join(parts)) + "." if parts else ""


def _first(open_: tuple[Judgement, ...]) -> Iterator[str]:
    """What to find out, the gravest first."""
    for j in open_:
        place = f", {j.place}" if j.place else ""
        yield j.decides if j.not_measured else f"{j.name}{place}: {j.decides}"


def _test_days(chosen: Option, open_: tuple[Judgement, ...]) -> int:
    days = float(_TEST_DAYS_OPEN if open_ else _TEST_DAYS)
    if chosen.days is not None:
        days = min(days, max(_SHORTEST_TEST_DAYS, chosen.days.value * _TEST_SHARE_OF_LIFE))
    return round(days)


def _out_after(option: Option) -> str:
    words = [WORDS[s] for s in SEVERITIES[:4] if s in option.broken]
    return f"{' and '.join(words)} {'stays' if len(words) == 1 and words[0] != WORDS['machine'] else 'stay'} out"
