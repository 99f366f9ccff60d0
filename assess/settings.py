"""The best setting of each treatment, and the range that is equally good."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from assess.draws import Feed
from assess.loss import Loss
from assess.treatment.treatment import Treatment
from assess.treatment.unit import is_membrane
from shared.water import Vector

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
    """A treatment's best setting and the range that is equally good."""

    treatment: Treatment
    setting: float | None
    passes: tuple[float, float] | None


class SettingTable(Protocol):
    """Results of treatments at settings, one row each."""

    @property
    def feed(self) -> Feed:
        """Their waters, rows by draws."""

    @property
    def losses(self) -> list[Loss]:
        """Their losses."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """Medians of each row: hardness, calcium, alkalinity (mg/L CaCO3) and chloride (mg/L); the tap's first."""

    water: Vector
    tap: Vector
    settles: Vector
    losses: list[Loss]

    def makes_sense(self, i: int, treatment: Treatment) -> bool:
        """A unit must treat some of the water, and a membrane must not deliver bare permeate."""
        if is_membrane(treatment.kind):
            return bool(self.water[0, i] >= _BARE and self.water[2, i] >= _BARE)
        changed = np.abs(self.water[:3, i] - self.tap[:3]).max() >= _NO_CHANGE
        return treatment.setting is None or not self.settles[i] or bool(changed)

    def aim(self, i: int, treatment: Treatment) -> tuple[float, float]:
        """The key by which a setting is chosen: the loss, and for a membrane with salty water the remaining chloride.

        A setting at which the machine is more likely out of limits than within is chosen only if none is better.
        """
        likely_out = max(0.0, max(self.losses[i].machine.values()) - 1.0)
        total = self.losses[i].total + _LIKELY_OUT * likely_out
        if is_membrane(treatment.kind) and self.tap[3] > _MEMBRANE_CHLORIDE:
            total += max(0.0, float(self.water[3, i]) - 0.8 * _MEMBRANE_CHLORIDE) / 5.0
        return self.losses[i].beyond, total

    def serves(self, i: int, best: int) -> bool:
        """Whether row ``i`` is as good as the ``best``."""
        mine, its = self.losses[i], self.losses[best]
        return mine.beyond <= its.beyond and mine.total <= its.total + _AS_WELL


def best_settings(rows: Sequence[ConfiguredTreatment], table: SettingTable, tap: Feed) -> list[BestSetting]:
    """Return the best setting of each treatment in ``rows``; a treatment without a sensible setting is omitted."""
    found = _Rows(_medians(table.feed), _medians(tap), np.asarray(table.feed.settles).reshape(-1), table.losses)
    return [best for first, last in _runs(rows) if (best := _best(rows, found, range(first, last))) is not None]


def _best(rows: Sequence[ConfiguredTreatment], found: _Rows, mine: range) -> BestSetting | None:
    treatment = rows[mine[0]].treatment
    sensible = [i for i in mine if found.makes_sense(i, treatment)]
    if not sensible:
        return None
    best = min(sensible, key=lambda i: found.aim(i, treatment))
    low = high = best
    while low > mine[0] and found.serves(low - 1, best):
        low -= 1
    while high < mine[-1] and found.serves(high + 1, best):
        high += 1
    setting = rows[best].setting
    passes = None if setting is None else (rows[low].setting or 0.0, rows[high].setting or 0.0)
    return BestSetting(treatment, setting, passes)


def _runs(rows: Sequence[ConfiguredTreatment]) -> Iterator[tuple[int, int]]:
    """First and one past the last row of each treatment; a treatment's rows follow each other."""
    first = 0
    for i in range(1, len(rows) + 1):
        if i == len(rows) or rows[i].treatment is not rows[first].treatment:
            yield first, i
            first = i


def _medians(feed: Feed) -> Vector:
    water = feed.water
    values = np.stack([water.hardness, water.calcium_hardness, water.alkalinity_caco3, water.chloride_mg_l])
    return np.asarray(np.median(values, axis=-1))
