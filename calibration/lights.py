"""For which light a chart is good: the lights it has seen, and whether it reads each without having seen it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import comb

from calibration.chart import Chart, LightSeen

#: Share of 95 % intervals that should hold, and the probability below which so few holding is no chance.
NOMINAL, NO_CHANCE = 0.95, 0.01
#: Lamps less likely than this are not named.
LEAST_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class LightTold:
    """A light of the standards; of its ``n`` values ``covered`` hold on curves that never saw it (0 of 0: untold)."""

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
        """Whether the chart holds under it without having seen it; None where nothing tells."""
        return None if self.n == 0 else _so_few(self.covered, self.n) >= NO_CHANCE


def lights_of(chart: Chart) -> Iterator[LightTold]:
    """Each light with what all curves of the chart say of it."""
    for seen in chart.conditions.seen:
        told = [v for curve in chart.curves for v in curve.lights if v.light == seen.light]
        yield LightTold(seen, n=sum(v.n for v in told), covered=sum(v.covered for v in told))


def _so_few(covered: int, n: int) -> float:
    """Probability that no more than ``covered`` of ``n`` independent 95 % intervals hold."""
    return sum(comb(n, k) * NOMINAL**k * (1 - NOMINAL) ** (n - k) for k in range(covered + 1))
