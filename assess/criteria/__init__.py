"""Criteria for a machine's water: limits applied to boilers; those of the manufacturer come first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final

from assess.criteria.quantities import OF_BOILER, OF_FEED, Criterion
from assess.equipment import Boiler, Equipment, ManufacturerLimit
from assess.limits import MEASURES, SEVERITIES, Limit, LimitSet

#: What it means to exceed a manufacturer's limit.
_AGAINST_MANUFACTURER: Final = "Outside the manufacturer's limit, on which the warranty may depend."
#: A manufacturer's measure, and our measure of the same damage.
_SAME: Final = {"chloride": "chloride", "chlorine": "metal-chlorine"}
_PROBE_BLIND: Final = "The boiler can overfill or boil dry: the level probe may not detect this water."


def criteria_for(equipment: Equipment, limits: LimitSet) -> tuple[Criterion, ...]:
    """Return every criterion of this machine by severity; of equal severity the manufacturer's first."""
    order = list(MEASURES)
    ours = sorted(_strictest(_of_limits(equipment, limits)), key=lambda c: order.index(c.limit.measure))
    criteria = [*_manufacturer_limits(equipment), *ours, *_probes(equipment)]
    return tuple(sorted(criteria, key=lambda c: SEVERITIES.index(c.limit.severity)))


def _manufacturer_limits(equipment: Equipment) -> Iterator[Criterion]:
    for stated in equipment.maker_limits:
        boiler = next((b for b in equipment.boilers if b.name == stated.boiler), None)
        measure = stated.measure if boiler is None else "boiler-chloride"
        yield replace(_criterion(_of_manufacturer(stated, measure), boiler), by_manufacturer=True)


def _of_manufacturer(stated: ManufacturerLimit, measure: str) -> Limit:
    return Limit(measure=measure, unit=stated.unit, severity="machine", at_least=stated.at_least,
                 at_most=stated.at_most, if_low=_AGAINST_MANUFACTURER, if_high=_AGAINST_MANUFACTURER,
                 source=f"manufacturer: {stated.source}")


def _probes(equipment: Equipment) -> Iterator[Criterion]:
    for boiler in equipment.boilers:
        if boiler.level_probe is not None:
            limit = Limit(measure="conductivity", unit="µS/cm", at_least=boiler.level_probe.min_conductivity_us_cm,
                          severity="machine", if_low=_PROBE_BLIND, source=boiler.level_probe.source)
            yield Criterion(limit=limit, quantity=OF_FEED["conductivity"], boiler=boiler)


def _of_limits(equipment: Equipment, limits: LimitSet) -> Iterator[Criterion]:
    for limit in limits.limit:
        if MEASURES[limit.measure].place == "feed":
            if not _is_limited_by_manufacturer(limit.measure, equipment):
                yield _criterion(limit, None)
        else:
            yield from (_criterion(limit, b) for b in equipment.boilers if _applies(limit, b, equipment))


def _strictest(criteria: Iterable[Criterion]) -> Iterable[Criterion]:
    """Of limits on the same quantity in the same place (vessel and heating element), the strictest."""
    strictest: dict[str, Criterion] = {}
    for c in criteria:
        there = strictest.get(c.id)
        strictest[c.id] = c if there is None else _stricter(c, there)
    return strictest.values()


def _stricter(one: Criterion, other: Criterion) -> Criterion:
    """The criterion with the lower upper limit, or without one the higher lower limit. Both bound the same sides."""
    if one.limit.at_most is not None and other.limit.at_most is not None:
        return min(one, other, key=lambda c: c.limit.at_most or 0.0)
    return max(one, other, key=lambda c: c.limit.at_least or 0.0)


def _is_limited_by_manufacturer(measure: str, equipment: Equipment) -> bool:
    """Whether the manufacturer's limit on the feed replaces ours. It does not replace limits for the cup."""
    return any(_SAME.get(m.measure) == measure and m.boiler is None for m in equipment.maker_limits)


def _applies(limit: Limit, boiler: Boiler, equipment: Equipment) -> bool:
    if (limit.kinds and boiler.kind not in limit.kinds) or (
            limit.materials and not set(limit.materials) & set(boiler.wetted)) or (
            limit.vented not in (None, boiler.vented)) or not _as_hot(limit, boiler):
        return False
    if limit.measure == "scale-thickness" and boiler.heated_area_m2 is None:
        return False
    return limit.measure != "boiler-chloride" or not _limits_boiler_chloride(boiler, equipment)


def _as_hot(limit: Limit, boiler: Boiler) -> bool:
    """Whether the boiler is in the temperature range of the limit."""
    return not (limit.above_c is not None and boiler.temperature_c <= limit.above_c) and not (
        limit.not_above_c is not None and boiler.temperature_c > limit.not_above_c)


def _limits_boiler_chloride(boiler: Boiler, equipment: Equipment) -> bool:
    """Whether the manufacturer's limit replaces ours: on this boiler's water, or on the feed if that is the same."""
    stated = [m for m in equipment.maker_limits if m.measure == "chloride"]
    return any(m.boiler == boiler.name or (m.boiler is None and boiler.cycles == 1) for m in stated)


def _criterion(limit: Limit, boiler: Boiler | None) -> Criterion:
    if boiler is None:
        return Criterion(limit=limit, quantity=OF_FEED[limit.measure])
    of_boiler = OF_BOILER[limit.measure]
    return Criterion(limit=limit, quantity=lambda feed: of_boiler(feed, boiler), boiler=boiler)


__all__ = ["OF_FEED", "Criterion", "criteria_for"]
