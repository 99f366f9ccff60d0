"""The recommended option against the next higher and the next lower level of intervention: gains and costs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from assess.options import Option, Options, costs
from assess.treatment.unit import LEVEL, is_membrane
from shared.analytes import capitalise
from shared.text import many

#: Losses (noticeable differences) this close to each other are equal: of such options the lowest level is named.
_EQUAL: Final = 0.25
#: Kinds that leave the water as it is, or whose water is unknown: no lower step to compare with.
_NO_STEP: Final = ("test-interval", "particle-filter", "softener-bypass")
#: Least difference between two waters that is stated, mg/L.
_STATED: Final = 10.0


def why_not_more(options: Options, chosen: Option) -> str:
    """Return what the next higher level would gain and cost; empty where there is none."""
    if chosen.kind == "softener-bypass":
        return f"If there is no softener, the lowest level that fits is {describe(options.all[1])}."
    higher = [o for o in _others(options) if LEVEL[o.kind] > LEVEL[chosen.kind] and not o.breaks
              and o.loss.beyond <= chosen.loss.beyond]
    if not higher:
        return ""
    least = min(o.loss.total for o in higher)
    other = min((o for o in higher if o.loss.total <= least + _EQUAL), key=lambda o: LEVEL[o.kind])
    gain = chosen.loss.total - other.loss.total
    if gain < _EQUAL:
        return "A higher level of intervention would give no noticeable improvement."
    return f"{capitalise(other.name)} would gain {_differences(gain)}{_values(chosen, other)}{_price(other)}."


def why_not_less(options: Options, chosen: Option) -> str:
    """Return what the next lower level would leave out of limits or cost; empty where there is none."""
    lower = [o for o in _others(options) if LEVEL[o.kind] < LEVEL[chosen.kind] and o.kind not in _NO_STEP]
    if not lower or chosen.kind == "softener-bypass":
        return ""
    other = min(lower, key=lambda o: (bool(o.breaks), round(o.loss.beyond, 2), o.loss.total))
    subject = "Without treatment" if other.kind == "none" else f"With {other.name}"
    out = [o.name for o in other.outcomes if o.verdict == "out-of-limits" and o.severity != "information"]
    if out:
        return f"{subject}, {listed(out)} would be out of limits."
    largest = costs(other.loss)
    cost = _differences(other.loss.total - chosen.loss.total)
    return f"{subject}, the water would be {cost} further from the target{f' ({largest})' if largest else ''}."


def _others(options: Options) -> Iterator[Option]:
    return (o for o in options.all if not o.installed)


def _differences(number: float) -> str:
    return f"{number:.1f} noticeable differences"


def _values(chosen: Option, other: Option) -> str:
    """The values in which the two waters differ most."""
    ours, its = chosen.outlet, other.outlet
    pairs = (("hardness", ours.hardness, its.hardness), ("alkalinity", ours.alkalinity, its.alkalinity),
             ("chloride", ours.chloride, its.chloride), ("sodium", ours.sodium, its.sodium))
    differences = [f"{name} {b.value:.0f} instead of {a.value:.0f} mg/L" for name, a, b in pairs
                   if abs(a.value - b.value) >= _STATED]
    return f" ({', '.join(differences)})" if differences else ""


def _price(other: Option) -> str:
    """What the other option consumes or requires."""
    parts = []
    if is_membrane(other.kind) and other.feed_per_litre is not None:
        parts.append(f"rejects {other.feed_per_litre - 1:.1f} L for each litre of treated water")
    if other.dose and other.kind in ("mineral-dosing", "osmosis-doses"):
        parts.append("doses salts into drinking water")
    if other.kind in ("weak-acid-exchange", "magnesium-exchange"):
        parts.append("needs cartridges")
    return f"; it {listed(parts)}" if parts else ""


def listed(items: Iterable[str]) -> str:
    """Return items as a list in a sentence: "a, b and c"."""
    *first, last = items
    return f"{', '.join(first)} and {last}" if first else last


def describe(option: Option) -> str:
    """Return the option with its setting, in words."""
    drain = "" if option.drain_days is None else (
        f", with half of the steam boiler drained and refilled every {interval_words(option.drain_days)}")
    if option.setting is None or option.setting_name is None:
        return f"{option.name}{drain}"
    if option.kind == "drain-and-refresh":
        return f"drain half of the steam boiler and refill it every {interval_words(option.setting)}"
    low, high = option.passes or (option.setting, option.setting)
    equal = f" ({setting_words(option, low)} to {setting_words(option, high)} is equally good)" if high > low else ""
    return f"{option.name}, {option.setting_name} {setting_words(option, option.setting)}{equal}{drain}"


def interval_words(days: float) -> str:
    """Return an interval after "every", as "day" or "3 days"."""
    return "day" if days == 1 else f"{days:g} days"


def setting_words(option: Option, setting: float) -> str:
    """Return a setting in words: a share in percent, an interval in days."""
    return many(round(setting), "day") if option.setting_name == "interval" else f"{100 * setting:.0f} %"
