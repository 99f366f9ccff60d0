"""Results of laboratories, titrations and meters as samples; yearly averages of a supplier as prior knowledge."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import hypot
from typing import Final

from assess.inputs.sample import Assumption, Sample
from assess.inputs.text import default_half_width
from shared.analytes import ANALYTES, capitalise, input_name
from shared.estimate import Z95, Estimate, Part
from stripread.store.lookup import batches
from stripread.store.models.evidence import LabResult
from stripread.store.models.sites import SamplingPoint
from stripread.store.store import Store

#: Relative standard uncertainty of one day's water given the average of a year; in their own units for others. Common
#: practice, no source.
_IN_A_YEAR: Final = 0.15
_IN_A_YEAR_OWN: Final = {"ph": 0.2, "temperature": 4.0}
#: Averages older than this are not used.
_AVERAGES_LAST: Final = timedelta(days=3 * 366)


@dataclass(frozen=True, slots=True)
class LaboratorySample:
    """One sample of a point; ``results``: ids of the results that are used."""

    point: str
    taken: datetime
    results: tuple[str, ...]
    sample: Sample


def laboratory_samples(store: Store, points: Iterable[str]) -> list[LaboratorySample]:
    """Return the samples of points in order of time; averages of a supplier are not samples.

    Results of one time and report are of one sample, such as hardness by titration and pH by a meter.
    """
    samples: dict[tuple[str, ...], list[LabResult]] = defaultdict(list)
    for some in batches(points):
        for r in store.find(LabResult, point=frozenset(some)):
            if r.struck is None and r.origin != "supplier":
                samples[r.point, r.taken.isoformat(), r.origin, r.report].append(r)
    return sorted(map(_sample, samples.values()), key=lambda s: s.taken)


def _sample(results: list[LabResult]) -> LaboratorySample:
    first, used = results[0], _most_certain(results)
    named = ", ".join(dict.fromkeys(name for r, _ in used if (name := r.report or r.laboratory or r.method)))
    twice = {r.analyte: None for r in results if sum(r.analyte == other.analyte for other in results) > 1}
    notes = (*(f"No uncertainty was stated for {input_name(r.analyte)}: ± {e.high - e.value:.2g} is assumed (common "
               "practice, no source)." for r, e in used if r.u is None and r.status == "measured"),
             *(f"{capitalise(input_name(a))} was measured more than once: the value with the smallest uncertainty is "
               "used." for a in twice))
    sample = Sample(name=f"{first.taken:%Y-%m-%d}" + (f" ({named})" if named else ""), notes=notes,
                    origin="typed" if first.origin == "typed" else "laboratory", estimates=tuple(e for _, e in used))
    return LaboratorySample(first.point, first.taken, tuple(r.id for r, _ in used), sample)


def _most_certain(results: list[LabResult]) -> list[tuple[LabResult, Estimate]]:
    """Return one result for each analyte with its interval: the one with the narrowest."""
    best: dict[str, tuple[LabResult, Estimate]] = {}
    for r in results:
        e = _estimate(r)
        other = best.get(r.analyte)
        if other is None or e.high - e.low < other[1].high - other[1].low:
            best[r.analyte] = r, e
    return list(best.values())


def _estimate(r: LabResult) -> Estimate:
    """Return a result with its 95 % interval; of a limit that the laboratory reports, all that it permits."""
    known = ANALYTES[r.analyte]
    half = Z95 * r.u if r.u is not None else default_half_width(r.analyte, r.value, laboratory=r.origin == "laboratory")
    low = known.lower if r.status == "below" else r.value if r.status == "above" else max(known.lower, r.value - half)
    high = known.upper if r.status == "above" else r.value if r.status == "below" else min(known.upper, r.value + half)
    return Estimate(analyte=r.analyte, value=r.value, low=low, high=high, unit=r.unit, status=r.status,
                    budget=(Part(name="laboratory" if r.origin == "laboratory" else "as typed", u=half / Z95,
                                 shared=True),))


def supplier_averages(store: Store, points: Iterable[str], at: datetime) -> dict[str, LabResult]:
    """Return a supplier's latest yearly average of each analyte at points of the mains, by analyte."""
    averages = [r for point in points for r in store.find(LabResult, point=point)
                if r.origin == "supplier" and r.struck is None and r.status == "measured"
                and abs(at - r.taken) <= _AVERAGES_LAST]
    return {r.analyte: r for r in sorted(averages, key=lambda r: r.taken)}


def average_as_estimate(average: LabResult) -> Estimate:
    """Return what a yearly average predicts for one day: its own uncertainty with the variation within a year."""
    known = ANALYTES[average.analyte]
    varies = _IN_A_YEAR_OWN.get(average.analyte, _IN_A_YEAR * average.value)
    u = hypot(average.u or 0.0, varies)
    return Estimate(analyte=average.analyte, value=average.value, low=max(known.lower, average.value - Z95 * u),
                    high=min(known.upper, average.value + Z95 * u), unit=average.unit,
                    budget=(Part(name="yearly average of the supplier", u=u, shared=True),))


def prior_of(store: Store, point: SamplingPoint | None, at: datetime) -> Mapping[str, Assumption]:
    """Return what the supplier's averages say about values of a mains water that were not measured, by analyte."""
    if point is None or point.place != "mains":
        return {}
    points = store.ids(SamplingPoint, site=point.site, place="mains")
    return {analyte: Assumption(estimate=average_as_estimate(r), why=(
        f"{capitalise(input_name(analyte))} was not measured; the supplier's yearly average "
        f"({r.taken:%Y}{f', {r.laboratory}' if r.laboratory else ''}) is used."))
        for analyte, r in supplier_averages(store, points, at).items()}
