"""Waters of treatments at their settings as feeds: one row for each treatment and setting, all solved together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from assess.draws import Feed, SpeciationCache, UntreatedRows
from assess.treatment.treatment import ScaleCredit, TreatedWater, Treatment
from shared.water import Vector, Water, conductivity, speciate

_TOTALS: Final = tuple(f.name for f in fields(Water))
#: Dimensions of a table of settings by draws.
_TABLE: Final = 2


@dataclass(frozen=True, slots=True)
class SettingRow:
    """A treatment at one ``setting`` (None: it has none): row ``k`` of ``made``, its water at all settings tried."""

    treatment: Treatment
    setting: float | None
    made: TreatedWater
    k: int

    def total(self, name: str, n: int) -> Vector:
        """Return the first ``n`` draws of a total of its water."""
        return self._own(getattr(self.made.at_tap, name))[:n]

    @property
    def load(self) -> Vector | None:
        """Equivalents that the unit removes from each litre."""
        return None if self.made.load is None else self._own(self.made.load)

    @property
    def drain_days(self) -> float | None:
        """Days between drains of the steam boiler, where the treatment is draining."""
        return None if self.made.drain is None else float(np.ravel(self.made.drain.days)[self.k])

    def treated(self) -> TreatedWater:
        """Return the water at this setting alone."""
        made, drain = self.made, self.made.drain
        water = made.at_tap
        if water.ca.ndim == _TABLE:
            water = Water(*(self._own(getattr(water, name)) for name in _TOTALS))
        return replace(
            made, at_tap=water, brought={i: self._own(v) for i, v in made.brought.items()},
            dose={i: self._own(v) for i, v in made.dose.items()}, load=self.load,
            feed_per_litre=None if made.feed_per_litre is None else self._own(made.feed_per_litre),
            drain=drain and replace(drain, days=np.asarray(self.drain_days)))

    def _own(self, values: Vector) -> Vector:
        wide = np.asarray(values)
        return wide[min(self.k, wide.shape[0] - 1)] if wide.ndim == _TABLE else wide


def at_settings(treatment: Treatment, settings: Sequence[float | None], tap: Feed) -> list[SettingRow]:
    """Return the treatment simulated at all ``settings`` together, a row each."""
    values = np.array([s or 0.0 for s in settings])[:, np.newaxis]
    made = treatment.treat(tap.water, values, t_c=float(np.median(tap.temperature)), vary=tap.variation)
    return [SettingRow(treatment, setting, made, k) for k, setting in enumerate(settings)]


def waters(rows: Sequence[SettingRow], n: int) -> Water:
    """Return the waters of all rows, (rows, n)."""
    tables = []
    for name in _TOTALS:
        table = np.empty((len(rows), n))
        for out, row in zip(table, rows, strict=True):
            out[:] = row.total(name, n)
        tables.append(table)
    return Water(*tables)


def is_treated(rows: Sequence[SettingRow], tap: Feed) -> NDArray[np.bool_]:
    """Return the mask of rows whose water is not the tap's."""
    return np.array([row.made.at_tap is not tap.water for row in rows])


def treated_feeds(rows: Sequence[SettingRow], tap: Feed, treated: NDArray[np.bool_]) -> Feed:
    """Return the feed of each row. A measured conductivity keeps its ratio to the computed one.

    ``treated``: see ``is_treated``; other rows take over what is solved for the tap.
    """
    water = waters(rows, tap.ph.size)
    ph, ec = (np.broadcast_to(v, water.shape).copy() for v in (tap.ph, tap.conductivity))
    if treated.any():
        new = water.take(treated)
        species = speciate(new, float(np.median(tap.temperature)))
        ph[treated] = species.ph
        ec[treated] = conductivity(new, species) * tap.conductivity / tap.solved.conductivity()
    free, combined = (np.array([[r.made.disinfectant[i]] for r in rows]) for i in (0, 1))
    credits_ = [r.made.credit or ScaleCredit(0.0, 0.0) for r in rows]
    return replace(
        tap, water=water, ph=ph, settles=treated[:, np.newaxis], conductivity=ec,
        credit=ScaleCredit(*(np.array([[v] for v in column]) for column in zip(
            *((c.share, c.to_c) for c in credits_), strict=True))),
        solved=SpeciationCache(water, tap.model_error, UntreatedRows(tap.solved, ~treated)),
        free_chlorine=tap.free_chlorine * free, chloramine=tap.chloramine * combined)


def row_of(feed: Feed, i: int) -> Feed:
    """Return row ``i`` of a feed of several, with its solved equilibria."""
    return _part(feed, i)


def rows_of(feed: Feed, which: list[int]) -> Feed:
    """Return some rows of a feed of several, with their solved equilibria."""
    return _part(feed, which)


def _part(feed: Feed, which: int | list[int]) -> Feed:
    def own(values: Vector) -> Vector:
        return np.asarray(np.broadcast_to(values, feed.water.shape)[which])

    def column(values: Vector | float) -> Vector:
        return np.asarray(np.asarray(values)[which])

    water = Water(*(getattr(feed.water, name)[which] for name in _TOTALS))
    return replace(
        feed, water=water, ph=own(feed.ph), free_chlorine=own(feed.free_chlorine), chloramine=own(feed.chloramine),
        conductivity=own(feed.conductivity), settles=None if feed.settles is None else feed.settles[which],
        credit=feed.credit and ScaleCredit(column(feed.credit.share), column(feed.credit.to_c)),
        solved=feed.solved.part(water, feed.model_error, which))
