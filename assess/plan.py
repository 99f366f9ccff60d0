"""What to do next: decide first, fit or turn something, or nothing; when to change and when to test again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

import msgspec

from assess.equipment import Equipment
from assess.inputs.words import in_words
from assess.judgement import Judgement
from assess.limits import SEVERITIES
from assess.options import WORDS, Option
from assess.standing import Grade

#: Days between tests where nothing presses, and where something is undecided; the share of a unit's life
#: after which it is tested, and the shortest interval worth the way. Common practice, no source.
_TEST_DAYS: Final = 90
_TEST_DAYS_UNDECIDED: Final = 30
_TEST_SHARE_OF_LIFE: Final = 1 / 3
_SHORTEST_TEST_DAYS: Final = 14
_READ_BEHIND: Final = "Then flush it, read the water behind it and compare."


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """``first``: what would decide open verdicts, before money is spent. ``option``: id of what to do, if any."""

    next_step: str
    first: tuple[str, ...]
    option: str | None
    change_in_litres: float | None
    change_in_days: float | None
    change_on: date | None
    test_in_days: int
    yearly_cost: float | None
    currency: str | None


def plan(judgements: tuple[Judgement, ...], options: tuple[Option, ...], equipment: Equipment) -> Plan:
    """The plan for a tap judged so, with these options ranked."""
    open_ = tuple(j for j in judgements if j.verdict == "undecided" and j.severity != "information")
    sentence, chosen = _next_step(options, open_, equipment)
    fitted = equipment.treatment.fitted if equipment.treatment and chosen.fitted else None
    due = None if fitted is None or chosen.days is None else fitted + timedelta(days=round(chosen.days))
    return Plan(
        next_step=sentence, first=tuple(dict.fromkeys(_first(open_))), option=chosen.id,
        change_in_litres=chosen.litres, change_in_days=chosen.days, change_on=due,
        test_in_days=_test_days(chosen, open_), yearly_cost=chosen.yearly_cost, currency=chosen.currency)


def _next_step(options: tuple[Option, ...], open_: tuple[Judgement, ...], equipment: Equipment) -> tuple[str, Option]:
    best, tap = options[0], _of(options, "none")
    if equipment.downstream_of is not None:
        return _downstream(equipment.downstream_of, tap, open_), tap
    fitted = next((o for o in options if o.fitted), None)
    if fitted is not None:
        return _with_fitted(options, fitted)
    if not tap.broken:
        return _nothing_out(tap, best, open_), tap
    if best.standing >= tap.standing:
        return f"Nothing in the list can do it: {_listed(tap)} {_stay(tap)} out whatever is tried.", tap
    if best.broken:
        return (f"Nothing in the list mends all: {_listed(best)} {_stay(best)} out. The best of them is "
                f"{described(best)}."), best
    return f"Fit {described(best)}. {_READ_BEHIND}", best


def _downstream(unit: str, water: Option, open_: tuple[Judgement, ...]) -> str:
    """What a sample of treated water says of the unit upstream of it; nothing is installed on its account."""
    if water.out:
        finding = (f"This treated water is out of limits: {_all_out(water)}. Check the setting and the remaining "
                   "capacity of the unit, and test its feed water on the same day.")
    elif open_:
        finding = "This treated water is not shown to be within all limits: settle what is open."
    else:
        finding = "This treated water is within limits: no change is needed."
    return f"Downstream of {unit}. {finding}"


def _all_out(option: Option) -> str:
    """Everything out of limits, the pH in the cup included."""
    words = [WORDS[s] for s in option.broken]
    if option.standing.cup_ph == Grade.OUT and "cup" not in option.broken:
        words.append("the pH in the cup")
    return " and ".join(words)


def _nothing_out(tap: Option, best: Option, open_: tuple[Judgement, ...]) -> str:
    if tap.out:
        return ("Only the pH in the cup is out of limits. pH is hard to change and costs little in the cup: no "
                "treatment is recommended for it.")
    measured = [j for j in open_ if not j.not_measured]
    if measured:
        otherwise = "" if best.id == tap.id else f" Should it come out, {described(best)} would serve."
        return f"Nothing is out of limits. Settle what is open before anything is fitted.{otherwise}"
    if open_:
        missing = sorted({in_words(a) for j in open_ for a in j.not_measured})
        return f"What was read is fine. Read {' and '.join(missing)} too before anything is fitted."
    return "The tap water needs nothing but a particle filter."


def _with_fitted(options: tuple[Option, ...], fitted: Option) -> tuple[str, Option]:
    same = next(o for o in options if o.id == fitted.id and not o.fitted)
    best = options[0]
    if not fitted.broken:
        return f"Keep {described(fitted)}.", fitted
    if same.standing < fitted.standing and (not same.broken or same.standing == best.standing):
        return f"Turn the fitted unit: {described(same)}. {_READ_BEHIND}", same
    cannot = f"The fitted unit cannot do it: {_listed(fitted)} {_stay(fitted)} out"
    if best.standing == fitted.standing:
        return f"{cannot}, and nothing in the list does better.", fitted
    return f"{cannot}. Better is {described(best)}.", best


def described(option: Option) -> str:
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


def _first(open_: tuple[Judgement, ...]) -> Iterator[str]:
    """What to find out, the gravest first."""
    for j in open_:
        place = f", {j.place}" if j.place else ""
        yield j.decides if j.not_measured else f"{j.name}{place}: {j.decides}"


def _test_days(chosen: Option, open_: tuple[Judgement, ...]) -> int:
    days = float(_TEST_DAYS_UNDECIDED if open_ else _TEST_DAYS)
    if chosen.days is not None:
        days = min(days, max(_SHORTEST_TEST_DAYS, chosen.days * _TEST_SHARE_OF_LIFE))
    return round(days)


def _of(options: tuple[Option, ...], key: str) -> Option:
    return next(o for o in options if o.id == key)


def _listed(option: Option) -> str:
    return " and ".join(WORDS[s] for s in SEVERITIES[:4] if option.standing.of(s) == Grade.OUT)


def _stay(option: Option) -> str:
    return "stays" if len(option.broken) == 1 and option.broken[0] != "machine" else "stay"
