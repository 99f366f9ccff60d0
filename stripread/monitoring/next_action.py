"""What an assessed water requires at its site: the step of its plan, or a test that verifies work done since."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import Final

import msgspec

from shared.analytes import input_name
from shared.text import written
from stripread.monitoring.assessed_water import AssessedWater, Deviation, PlanSummary
from stripread.monitoring.cause_days import requires_action
from stripread.monitoring.schedule.intervals import DueItem
from stripread.monitoring.sites import SiteInventory
from stripread.store.models.sites import DecisionState, Job, Service, Site, TreatmentDecision

#: What remains to be done in the states of a decision that was made.
_STEPS: Final[dict[DecisionState, str]] = {
    "chosen": "order or carry out: {}", "ordered": "when delivered: {}",
    "installed": "test to verify: {}", "reopened": "decide again: {}"}
#: What a test after recorded work verifies.
_VERIFIED: Final[dict[Job, str]] = {
    "installed": "the installation", "cartridge changed": "the new cartridge", "setting changed": "the new setting",
    "cleaned": "the cleaning", "inspected": "the inspection", "removed": "the removal"}


def water_actions(
    inventory: SiteInventory, site: Site, waters: tuple[AssessedWater | None, AssessedWater | None],
    since: Mapping[str, date], decision: TreatmentDecision | None
) -> Iterator[DueItem]:
    """Return the item that the water nearest to the machine requires.

    It is due since the results show its cause, by point in ``since``. ``waters``: that water, and that of the mains.
    Out of limits requires an action; so does a unit that does not work, though its water is still within limits.
    ``decision``: the open one of the site; what remains of it comes first.
    """
    water, tap = waters
    if decision is not None and decision.state in _STEPS:
        yield DueItem(on=decision.at.date(), kind="water", subject=decision.id, site=site.id, site_name=site.name,
                      what=_left(decision),
                      why=f"recorded as {decision.state} on {decision.at:%Y-%m-%d}")
        return
    if water is None or not requires_action(water):
        return
    point = inventory.points[water.point]
    done = _changed(inventory, water)
    if done is not None:
        yield DueItem(on=done.at.date(), kind="water", subject=point.id, site=site.id, site_name=site.name,
                      what=f"test {point.name} ({point.place}) to verify {_VERIFIED[done.job]}",
                      why=f"{done.job} on {done.at:%Y-%m-%d}, after the last reading of {water.sampled:%Y-%m-%d}")
        return
    action = required_action(inventory, water, tap)
    if action:
        yield DueItem(on=since.get(point.id, water.sampled.date()), kind="water", subject=point.id, site=site.id,
                      site_name=site.name, what=action, why=_why(water))


def with_actions(due: Sequence[DueItem], actions: Iterable[DueItem]) -> list[DueItem]:
    """Return due items and actions; a change that date and water both require is one item, on the earlier day."""
    items = list(due)
    for action in actions:
        same = [n for n, item in enumerate(items) if item.kind == "treatment" and item.what == action.what]
        if len(same) == 1:
            item = items[same[0]]
            items[same[0]] = msgspec.structs.replace(item, on=min(item.on, action.on),
                                                     why=f"{action.why}. {_capitalised(item.why)}")
        else:
            items.append(action)
    return items


def _left(decision: TreatmentDecision) -> str:
    """Return what remains to be done of a decision."""
    what = _continued(decision.what)
    if decision.state == "installed" and what.startswith("install "):
        return f"test to verify the installation: {what.removeprefix('install ')}"
    return _STEPS[decision.state].format(what)


def _capitalised(why: str) -> str:
    """Return a reason as it begins a sentence; "pH" keeps its letters."""
    return why[:1].upper() + why[1:] if why[1:2].islower() else why


def _continued(what: str) -> str:
    """Return a sentence as it continues after a name or colon; an abbreviation at its beginning keeps its capitals."""
    return what[:1].lower() + what[1:] if what[1:2].islower() else what


def required_action(inventory: SiteInventory, water: AssessedWater, tap: AssessedWater | None) -> str:
    """Return the action that a water requires; empty if nothing is to be changed.

    A unit that works as predicted and leaves its water out of limits needs what the plan for its feed water says.
    """
    if water.diagnosis is not None and water.diagnosis.action:
        return water.diagnosis.action
    if water.diagnosis is not None and tap is not None:
        return _step(tap.plan)
    unit = inventory.upstream.get(water.point)
    if unit is not None:
        return f"check setting and remaining capacity of {unit.unit.name}; test its feed water on the same day"
    return _step(water.plan)


def _step(plan: PlanSummary) -> str:
    """Return what a plan changes, else what to measure before it can say so; empty if the installed unit suits."""
    if plan.acts:
        return _continued(plan.action)
    return "" if plan.option.installed or not plan.first else _continued(plan.first[0].rstrip("."))


def _changed(inventory: SiteInventory, water: AssessedWater) -> Service | None:
    """Return the last work at the site that changes the water and is later than the reading."""
    units = (u for u in inventory.units.values() if u.site == inventory.points[water.point].site)
    work = [s for u in units for s in inventory.services.get(u.id, ())
            if s.job != "inspected" and s.at > water.sampled]
    return max(work, key=lambda s: s.at, default=None)


def _why(water: AssessedWater) -> str:
    out = [d for d in water.deviations if d.verdict == "out-of-limits"]
    reasons = "; ".join(dict.fromkeys(deviation_words(d) for d in out))
    sentence = "" if water.diagnosis is None else water.diagnosis.sentence.rstrip(".")
    return ". ".join(filter(None, (reasons, sentence)))


def not_measured(deviations: Sequence[Deviation]) -> str:
    """Return the inputs that were not measured, in a list; empty if the first deviation was measured."""
    if not deviations or not deviations[0].not_measured:
        return ""
    return ", ".join(dict.fromkeys(input_name(a) for d in deviations for a in d.not_measured))


def deviation_words(d: Deviation) -> str:
    """Return a deviation with its value and limit, as "total hardness 320 mg/L CaCO3, at most 90"."""
    text = written(d, d.unit, status=d.status)
    value = f"{text.value} {text.unit}".strip() + (f" ({text.interval})" if text.interval else "")
    above = d.at_most is not None and (d.at_least is None or d.value > (d.at_least + d.at_most) / 2)
    limit = d.at_most if above else d.at_least
    place = f", {d.place}" if d.place else ""
    permitted = "permitted: " if text.beyond else ""
    return f"{d.name}{place} {value}, {permitted}{'at most' if above else 'at least'} {limit:g}"
