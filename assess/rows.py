"""Treated waters as rows of one table, so that the equilibria of all of them are solved together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Final

import numpy as np

from assess.draws import Feed
from assess.speciation_cache import SpeciationCache
from assess.treatment.treatment import ScaleCredit, TreatedWater
from shared.water import Vector, Water, conductivity, speciate

#: Dimensions of a table of settings by draws.
_TABLE: Final = 2
_TOTALS: Final = tuple(f.name for f in fields(Water))


def treated_row(made: TreatedWater, k: int, rows: int) -> TreatedWater:
    """Return row ``k`` of a treatment simulated at several settings."""

    def pick(values: Vector) -> Vector:
        wide = np.asarray(values)
        return wide[min(k, wide.shape[0] - 1)] if wide.ndim == 2 else wide

    water = made.at_tap
    if water.ca.ndim == 2:
        water = Water(*(getattr(water, name)[k] for name in _TOTALS))
    drain = made.drain and replace(made.drain, days=np.asarray(made.drain.days).reshape(rows, -1)[k, 0])
    load, per_litre = (None if v is None else pick(v) for v in (made.load, made.feed_per_litre))
    return replace(made, at_tap=water, brought={i: pick(v) for i, v in made.brought.items()},
                   dose={i: pick(v) for i, v in made.dose.items()}, load=load, feed_per_litre=per_litre, drain=drain)


def treated_feeds(tap: Feed, treated: Sequence[TreatedWater]) -> Feed:
    """Return the feed of each treatment, one row each. A measured conductivity keeps its ratio to the computed one."""
    n = tap.ph.size
    water = Water(*(np.stack([np.broadcast_to(getattr(t.at_tap, name), n) for t in treated]) for name in _TOTALS))
    settles = np.array([[t.at_tap is not tap.water] for t in treated])
    species = speciate(water, float(np.median(tap.temperature)))
    ec = conductivity(water, species) * tap.conductivity / tap.solved.conductivity()
    free, combined = (np.array([[t.disinfectant[i]] for t in treated]) for i in (0, 1))
    credit = ScaleCredit(share=np.array([[t.credit.share if t.credit else 0.0] for t in treated]),
                         to_c=np.array([[t.credit.to_c if t.credit else 0.0] for t in treated]))
    return replace(tap, water=water, ph=np.where(settles, species.ph, tap.ph), settles=settles, credit=credit,
                   conductivity=np.where(settles, ec, tap.conductivity), free_chlorine=tap.free_chlorine * free,
                   chloramine=tap.chloramine * combined, solved=SpeciationCache(water, tap.model_error))


def row_of(feed: Feed, i: int) -> Feed:
    """Return row ``i`` of a feed of several, with its solved equilibria."""
    water = Water(*(getattr(feed.water, name)[i] for name in _TOTALS))
    picked = {name: np.broadcast_to(getattr(feed, name), feed.water.shape)[i]
              for name in ("ph", "free_chlorine", "chloramine", "conductivity", "settles")}
    credit = feed.credit and ScaleCredit(float(np.asarray(feed.credit.share)[i, 0]),
                                         float(np.asarray(feed.credit.to_c)[i, 0]))
    solved = SpeciationCache(water, feed.model_error)
    solved.adopt(feed.solved, i)
    return replace(feed, water=water, credit=credit, solved=solved, **picked)


def treated_feed(tap: Feed, treated: TreatedWater) -> Feed:
    """Return the feed that a treatment gives."""
    return row_of(treated_feeds(tap, [treated]), 0)
