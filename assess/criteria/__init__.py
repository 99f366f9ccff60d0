"""Which criteria a machine's water is judged by: limits met with boilers, the maker's own before all."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final

from assess.criteria.criterion import Criterion
from assess.criteria.quantities import OF_BOILER, OF_FEED
from assess.equipment import Boiler, Equipment, MakerLimit
from assess.limits import SEVERITIES, Limit, LimitSet
from assess.measures import MEASURES

#: What breaking a maker's limit means, whichever it is.
_AGAINST_MAKER: Final = "Outside what the machine's maker asks for; the warranty may depend on it."
#: A maker's measure and the one of ours about the same harm.
_SAME: Final = {"chloride": "chloride", "chlorine": "metal-chlorine"}
_PROBE_BLIND: Final = "The level probe may not see this water: the boiler can overfill or run dry."


def criteria_for(equipment: Equipment, limits: LimitSet) -> tuple[Criterion, ...]:
    """Every criterion of this machine, by severity; then the maker's first, the rest in the measures' order."""
    order = list(MEASURES)
    ours = sorted(_strictest(_of_limits(equipment, limits)), key=lambda c: order.index(c.limit.measure))
    found = [*_makers(equipment), *ours, *_probes(equipment)]
    return tuple(sorted(found, key=lambda c: SEVERITIES.index(c.limit.severity)))


def _makers(equipment: Equipment) -> Iterator[Criterion]:
    for said in equipment.maker_limits:
        boiler = next((b for b in equipment.boilers if b.name == said.boiler), None)
        measure = said.measure if boiler is None else "boiler-chloride"
        yield replace(_criterion(_of_maker(said, measure), boiler), by_maker=True)


def _of_maker(said: MakerLimit, measure: str) -> Limit:
    return Limit(measure=measure, unit=said.unit, severity="machine", at_least=said.at_least,
                 at_most=said.at_most, if_low=_AGAINST_MAKER, if_high=_AGAINST_MAKER,
                 source=f"the machine's maker: {said.source}")


def _probes(equipment: Equipment) -> Iterator[Criterion]:
    for boiler in equipment.boilers:
        if boiler.level_probe is not None:
            limit = Limit(measure="conductivity", unit="µS/cm", at_least=boiler.level_probe.min_conductivity_us_cm,
                          severity="machine", if_low=_PROBE_BLIND, source=boiler.level_probe.source)
            yield Criterion(limit=limit, quantity=OF_FEED["conductivity"], boiler=boiler)


def _of_limits(equipment: Equipment, limits: LimitSet) -> Iterator[Criterion]:
    for limit in limits.limit:
        if MEASURES[limit.measure].place == "feed":
            if not _maker_knows(limit.measure, equipment):
                yield _criterion(limit, None)
        else:
            yield from (_criterion(limit, b) for b in equipment.boilers if _applies(limit, b, equipment))


def _strictest(criteria: Iterable[Criterion]) -> Iterable[Criterion]:
    """Of limits on one thing in one place, as for a vessel and its heating element, the lowest."""
    found: dict[str, Criterion] = {}
    for c in criteria:
        there = found.get(c.id)
        if there is None or (c.limit.at_most or 0.0) < (there.limit.at_most or 0.0):
            found[c.id] = c
    return found.values()


def _maker_knows(measure: str, equipment: Equipment) -> bool:
    """Whether the maker's limit on the feed takes the place of ours. On the cup a maker has no say."""
    return any(_SAME.get(said.measure) == measure and said.boiler is None for said in equipment.maker_limits)


def _applies(limit: Limit, boiler: Boiler, equipment: Equipment) -> bool:
    if (limit.kinds and boiler.kind not in limit.kinds) or (
            limit.materials and not set(limit.materials) & set(boiler.wetted)) or (
            limit.vented not in (None, boiler.vented)) or not _as_hot(limit, boiler):
        return False
    if limit.measure == "scale-thickness" and boiler.heated_area_m2 is None:
        return False
    return limit.measure != "boiler-chloride" or not _maker_knows_chloride(boiler, equipment)


def _as_hot(limit: Limit, boiler: Boiler) -> bool:
    """Whether the boiler is as hot as the limit is for."""
    return not (limit.above_c is not None and boiler.temperature_c <= limit.above_c) and not (
        limit.not_above_c is not None and boiler.temperature_c > limit.not_above_c)


def _maker_knows_chloride(boiler: Boiler, equipment: Equipment) -> bool:
    """The maker's limit goes before ours: on this boiler's water, or on the feed where that is the same."""
    said = [m for m in equipment.maker_limits if m.measure == "chloride"]
    return any(m.boiler == boiler.name or (m.boiler is None and boiler.cycles == 1) for m in said)


def _criterion(limit: Limit, boiler: Boiler | None) -> Criterion:
    if boiler is None:
        return Criterion(limit=limit, quantity=OF_FEED[limit.measure])
    of_boiler = OF_BOILER[limit.measure]
    return Criterion(limit=limit, quantity=lambda feed: of_boiler(feed, boiler), boiler=boiler)


__all__ = ["OF_FEED", "Criterion", "criteria_for"]
