"""For which light a chart is good: the lights it has seen, and whether it reads each without having seen it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import comb

from calibration.chart import Chart, LightSeen

#: Nominal coverage of intervals, and the probability below which fewer covered values are not due to chance.
NOMINAL, NO_CHANCE = 0.95, 0.01
#: Lamps less likely than this are not named.
LEAST_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class LightCoverage:
    """A light of the standards; ``covered`` of its ``n`` values lie in the intervals of curves fitted without it."""

    seen: LightSeen
    n: int
    covered: int

    @property
    def lamps(self) -> tuple[tuple[str, float], ...]:
        """The CIE lamps it resembles with their probabilities, the likeliest first."""
        likely = [(name, p) for name, p in self.seen.lamps.items() if p >= LEAST_SHARE]
        return tuple(sorted(likely, key=lambda lamp: -lamp[1]))

    @property
    def carries(self) -> bool | None:
        """Whether a chart fitted without it covers its values; None where this is not known."""
        return None if self.n == 0 else _so_few(self.covered, self.n) >= NO_CHANCE


def lights_of(chart: Chart) -> Iterator[LightCoverage]:
    """Each light with what all curves of the chart say of it."""
    for seen in chart.conditions.seen:
        found = [v for curve in chart.curves for v in curve.lights if v.light == seen.light]
        yield LightCoverage(seen, n=sum(v.n for v in found), covered=sum(v.covered for v in found))


def _so_few(covered: int, n: int) -> float:
    """Probability that no more than ``covered`` of ``n`` independent 95 % intervals contain the value."""
    return sum(comb(n, k) * NOMINAL**k * (1 - NOMINAL) ** (n - k) for k in range(covered + 1))
