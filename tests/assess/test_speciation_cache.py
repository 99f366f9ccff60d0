"""What is solved of a water is kept for it, and for no other."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from assess.speciation_cache import ROOM_PCO2, SpeciationCache
from assess.treatment.treatment import ScaleCredit
from shared.water import conductivity, open_to_air, speciate


def test_nothing_is_solved_twice(tap: Callable[..., Any]) -> None:
    feed = tap().drawn.feed
    answers = iter((7.0, 8.0))
    assert [feed.solved.once("what", lambda: next(answers)) for _ in range(3)] == [7.0] * 3
    assert feed.solved.heated(93.0) is feed.solved.heated(93.0)
    assert feed.solved.heated(93.0).ph != pytest.approx(feed.solved.heated(125.0).ph)


def test_it_goes_with_the_water_and_the_model_error_alone(tap: Callable[..., Any]) -> None:
    """Less chlorine or a credit are the same water; other ions, fewer draws or another error are not."""
    feed = tap().drawn.feed
    for same in (replace(feed, free_chlorine=0 * feed.free_chlorine), replace(feed, credit=ScaleCredit(0.5, 90.0))):
        assert same.solved is feed.solved
    harder = replace(feed, water=feed.water.scaled(2.0))
    for other in (harder, feed.take(10), replace(feed, model_error=feed.model_error + 1)):
        assert other.solved is not feed.solved
        assert other.solved.is_of(other.water, other.model_error)
    assert harder.solved.heated(60.0).si_calcite.min() > feed.solved.heated(60.0).si_calcite.min()


def test_both_ways_to_a_number_agree(tap: Callable[..., Any]) -> None:
    """The pH in air solved at once, and in two steps; conductivity from species kept, and from the water."""
    water = tap(n=200).drawn.feed.water
    solved = SpeciationCache(water, np.zeros(water.shape))
    assert solved.ph_in_air() == pytest.approx(speciate(open_to_air(water, 25.0, pco2=ROOM_PCO2), 25.0).ph,
                                               abs=1e-6)
    assert solved.conductivity() == pytest.approx(conductivity(water), rel=1e-9)
