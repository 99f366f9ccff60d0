"""Simulated exchangers with strips at tap and outlet: how often diagnosis and commissioning are right.

The treated water is a mass balance, not the program's own prediction.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from assess.diagnosis.commissioning import commission
from assess.diagnosis.diagnosis import diagnose
from assess.diagnosis.prediction import WORN
from assess.diagnosis.result import UnitUsage, Upstream
from assess.equipment import InstalledTreatment
from assess.inputs.sample import Sample
from assess.treatment.options import treatment_of
from assess.treatment.unit import load_units
from assess.treatment.upkeep import STEEPNESS, U_CAPACITY, lost_removal
from shared.analytes import ANALYTES
from shared.estimate import Z95, Estimate, Part

#: Marks of the bypass valve.
_MARKS: Final = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7)
_UNIT: Final = msgspec.structs.replace(load_units()["weak-acid-exchange"], bypass_settings=_MARKS)
_EXCHANGER: Final = treatment_of("weak-acid-exchange", _UNIT)
_STATES: Final = ("working", "setting-off", "exhausted", "swapped")
Values = dict[str, float]


@dataclass(frozen=True, slots=True)
class SimulatedUnit:
    """A pair of samples with what is known of their unit; the true setting and remaining capacity."""

    upstream: Upstream
    treated: Sample
    setting: float
    remaining: float


def simulated(state: str, rng: np.random.Generator) -> SimulatedUnit:
    """Return a unit in a state. Strips: 2 mg/L and 4 % of their own, 2 % of the chart.

    A unit is exhausted from a loss of removal of `WORN`, as the diagnosis defines it, whatever its stated usage.
    """
    hardness = float(rng.uniform(120, 320))
    tap = {"hardness": hardness, "alkalinity": hardness * float(rng.uniform(0.6, 0.95)),
           "chloride": float(rng.uniform(10, 60))}
    marks = np.array(_MARKS)
    on_file = float(rng.choice(marks[1:5]))
    setting = float(rng.choice(marks[marks != on_file])) if state == "setting-off" else on_file
    stated, used, lost = _wear(rng, exhausted=state == "exhausted")
    taken = (min(1.0, _UNIT.removal + _UNIT.u_removal * rng.standard_normal()) * (1 - lost) * tap["alkalinity"]
             * (1 - float(np.clip(setting + _UNIT.u_setting * rng.standard_normal(), 0, 1))))
    treated = {**tap, "hardness": tap["hardness"] - taken, "alkalinity": tap["alkalinity"] - taken}
    at_tap, at_outlet = tap, treated
    if state == "swapped":
        at_tap, at_outlet = ((tap, tap), (treated, tap), (treated, treated))[rng.integers(3)]
    chart = {a: float(rng.standard_normal()) for a in tap}
    usual = read({a: v * (1 + 0.05 * rng.standard_normal()) for a, v in tap.items()}, dict.fromkeys(tap, 0.0), rng)
    upstream = Upstream(
        installed=InstalledTreatment(unit="weak-acid-exchange", setting=on_file), feed=read(at_tap, chart, rng),
        same_chart=True, usual=usual.estimates, usage=UnitUsage(used=stated, u=0.1 * stated))
    return SimulatedUnit(upstream, read(at_outlet, chart, rng), setting, float(np.clip(1 - used, 0.0, 1.0)))


def _wear(rng: np.random.Generator, *, exhausted: bool) -> tuple[float, float, float]:
    """Return stated and true share of the capacity used, and the removal lost, of a unit that is exhausted or not."""
    low, high = np.log(STEEPNESS)
    while True:
        stated = float(rng.uniform(0.9, 1.5) if exhausted else rng.uniform(0.02, 0.6))
        used = stated * (1 + 0.1 * rng.standard_normal()) * np.exp(U_CAPACITY * rng.standard_normal())
        lost = float(lost_removal(np.array(used), np.exp(rng.uniform(low, high))))
        if (lost > WORN) == exhausted:
            return stated, used, lost


def read(true: Values, chart: Values, rng: np.random.Generator) -> Sample:
    """Return strip values of a water."""
    return Sample(name="strip", origin="strip", estimates=tuple(
        _estimate(a, v, 2.0 + 0.04 * v, chart[a], rng) for a, v in true.items()))


def _estimate(analyte: str, true: float, u: float, chart: float, rng: np.random.Generator) -> Estimate:
    value = max(0.0, float(true + u * rng.standard_normal() + 0.02 * true * chart))
    half = Z95 * float(np.hypot(u, 0.02 * true))
    return Estimate(analyte=analyte, value=value, low=max(0.0, value - half), high=value + half,
                    unit=ANALYTES[analyte].unit, budget=(Part(name="strip", u=u, shared=False),
                                                         Part(name="chart", u=0.02 * true, shared=True)))


def classified(state: str, n: int, rng: np.random.Generator) -> Counter[str]:
    """Return how often each state is reported for ``n`` units in a state."""
    units = [simulated(state, rng) for _ in range(n)]
    return Counter(diagnose(_EXCHANGER, u.upstream, u.treated, np.random.default_rng(i)).state
                   for i, u in enumerate(units))


def covered(n: int, rng: np.random.Generator) -> tuple[float, float]:
    """Return the shares of ``n`` units whose setting and remaining capacity are inside their 95 % intervals."""
    inside = []
    for i in range(n):
        unit = simulated("setting-off" if i % 2 else "working", rng)
        found = commission(_EXCHANGER, unit.upstream, unit.treated, np.random.default_rng(i))
        at = found.setting
        inside.append((at is not None and at.low - 1e-9 <= unit.setting <= at.high + 1e-9,
                       found.remaining.low - 1e-9 <= unit.remaining <= found.remaining.high + 1e-9))
    return float(np.mean([a for a, _ in inside])), float(np.mean([b for _, b in inside]))


def run(n: int = 250, *seeds: int) -> None:
    """Print every figure for ``n`` units of each state, for each seed."""
    for seed in seeds or (2026,):
        rng = np.random.default_rng(seed)
        _print_states(n, rng)
        setting, remaining = covered(n, rng)
        print(f"{n} units commissioned: setting in its 95 % interval in {100 * setting:.0f} %, remaining capacity in "
              f"{100 * remaining:.0f} %", flush=True)


def _print_states(n: int, rng: np.random.Generator) -> None:
    faults = []
    for state in _STATES:
        found = classified(state, n, rng)
        wrong = sum(k for s, k in found.items() if s not in (state, "indistinguishable"))
        faults.append(0 if state == "working" else wrong)
        print(f"{n} units {state}: {100 * found[state] / n:.0f} % named, {100 * found['indistinguishable'] / n:.0f} % "
              f"not distinguishable, {100 * wrong / n:.1f} % wrong {dict(found)}", flush=True)
    print(f"{3 * n} faults: {100 * sum(faults) / (3 * n):.1f} % wrong", flush=True)


if __name__ == "__main__":
    run(*map(int, sys.argv[1:]))
