"""The best setting of each treatment, and the range that is equally good."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from assess.loss import Loss
from assess.treated_feeds import SettingRow
from assess.treatment.treatment import Treatment
from assess.treatment.unit import is_membrane
from shared.water import Vector, Water

#: mg/L Cl that a membrane is set to stay below where the tap has more: the upper of the usual manufacturers' limits.
_MEMBRANE_CHLORIDE: Final = 50.0
#: Weight of a machine's criterion that is more likely out of limits than within.
_LIKELY_OUT: Final = 4.0
#: Settings this close to the best are equally good, noticeable differences.
_AS_WELL: Final = 0.25
#: mg/L CaCO3 of hardness or alkalinity below which water is bare permeate (common practice, no source).
_BARE: Final = 10.0
#: Changes of hardness, calcium and alkalinity (mg/L CaCO3) too small to install anything for.
_NO_CHANGE: Final = 2.0


@dataclass(frozen=True, slots=True)
class ConfiguredTreatment:
    """A treatment at a setting; None: it has no setting."""

    treatment: Treatment
    setting: float | None = None


@dataclass(frozen=True, slots=True)
class BestSetting:
    """A treatment at its best setting, and the range of settings that is equally good."""

    row: SettingRow
    passes: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class RowMedians:
    """Medians of each row: hardness, calcium, alkalinity (mg/L CaCO3) and chloride (mg/L), shape (4, rows).

    ``tap``: those of the tap; ``treated``: rows whose water is not the tap's.
    """

    water: Vector
    tap: Vector
    treated: NDArray[np.bool_]

    @classmethod
    def of(cls, rows: Water, tap: Water, treated: NDArray[np.bool_]) -> RowMedians:
        """Return the medians of ``rows`` (rows, n) of treated waters and of the tap."""
        return cls(_medians(rows), _medians(tap), treated)

    def take(self, rows: list[int]) -> RowMedians:
        """Return some rows."""
        return RowMedians(self.water[:, rows], self.tap, self.treated[rows])

    def makes_sense(self, i: int, treatment: Treatment) -> bool:
        """A unit must treat some of the water, and a membrane must not deliver bare permeate."""
        if is_membrane(treatment.kind):
            return bool(self.water[0, i] >= _BARE and self.water[2, i] >= _BARE)
        changed = np.abs(self.water[:3, i] - self.tap[:3]).max() >= _NO_CHANGE
        return treatment.setting is None or not self.treated[i] or bool(changed)

    def excess_chloride(self, i: int, treatment: Treatment) -> float:
        """Loss of the chloride that a membrane leaves in a salty water."""
        if not is_membrane(treatment.kind) or self.tap[3] <= _MEMBRANE_CHLORIDE:
            return 0.0
        return max(0.0, float(self.water[3, i]) - 0.8 * _MEMBRANE_CHLORIDE) / 5.0


def best_settings(rows: Sequence[SettingRow], medians: RowMedians, losses: Sequence[Loss]) -> list[BestSetting]:
    """Return the best setting of each treatment in ``rows``, which are sensible and together for each treatment."""
    return [_best(rows, losses, range(first, last), medians) for first, last in _runs(rows)]


def _best(rows: Sequence[SettingRow], losses: Sequence[Loss], mine: range, medians: RowMedians) -> BestSetting:
    best = min(mine, key=lambda i: _aim(losses[i], medians.excess_chloride(i, rows[i].treatment)))
    low = high = best
    while low > mine[0] and _serves(losses[low - 1], losses[best]):
        low -= 1
    while high < mine[-1] and _serves(losses[high + 1], losses[best]):
        high += 1
    passes = None if rows[best].setting is None else (rows[low].setting or 0.0, rows[high].setting or 0.0)
    return BestSetting(rows[best], passes)


def _aim(loss: Loss, excess: float) -> tuple[float, float]:
    """The key by which a setting is chosen: the loss, and for a membrane with salty water the remaining chloride.

    A setting at which the machine is more likely out of limits than within is chosen only if none is better.
    """
    likely_out = max(0.0, max(loss.machine.values()) - 1.0)
    return loss.beyond, loss.total + _LIKELY_OUT * likely_out + excess


def _serves(loss: Loss, best: Loss) -> bool:
    """Whether a setting is as good as the best."""
    return loss.beyond <= best.beyond and loss.total <= best.total + _AS_WELL


def _runs(rows: Sequence[SettingRow]) -> Iterator[tuple[int, int]]:
    """First and one past the last row of each treatment; a treatment's rows follow each other."""
    first = 0
    for i in range(1, len(rows) + 1):
        if i == len(rows) or rows[i].treatment is not rows[first].treatment:
            yield first, i
            first = i


def _medians(water: Water) -> Vector:
    values = np.stack([water.hardness, water.calcium_hardness, water.alkalinity_caco3, water.chloride_mg_l])
    return np.asarray(np.median(values, axis=-1))
