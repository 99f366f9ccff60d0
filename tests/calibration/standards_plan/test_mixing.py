"""Volumes of stocks: against linear programming by another program, and what they must satisfy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import linprog

from calibration.standards_plan.mixing import reach, recipes
from shared.water import Vector

#: What a unit volume brings: nothing, or something between 0.1 and 10.
brings = st.one_of(st.just(0.0), st.floats(0.1, 10.0))
volumes = arrays(np.float64, 4, elements=st.one_of(st.just(0.0), st.floats(0.1, 10.0)))


@settings(max_examples=40)
@given(arrays(np.float64, (2, 4), elements=brings), volumes)
def test_recipes_give_what_is_wanted(amounts: Vector, mixed: Vector) -> None:
    """What some volumes give can be wanted; every recipe gives it with no volume below zero."""
    wanted = amounts @ mixed
    found = list(recipes(amounts, wanted))
    assert found
    for recipe in found:
        assert recipe.min() >= 0
        assert amounts @ recipe == pytest.approx(wanted, abs=1e-6)


@settings(max_examples=40)
@given(arrays(np.float64, (2, 4), elements=brings), volumes, arrays(np.float64, 4, elements=brings))
def test_reach_is_that_of_linear_programming(amounts: Vector, mixed: Vector, of: Vector) -> None:
    """A second way: SciPy's HiGHS."""
    wanted = amounts @ mixed
    least, most = reach(amounts, wanted, of=of)
    lowest = linprog(of, A_eq=amounts, b_eq=wanted, bounds=(0, None))
    assume(lowest.status == 0)
    assert least == pytest.approx(lowest.fun, abs=1e-5, rel=1e-5)
    highest = linprog(-of, A_eq=amounts, b_eq=wanted, bounds=(0, None))
    if highest.status == 0:
        assert most == pytest.approx(-highest.fun, abs=1e-5, rel=1e-5)
    else:
        assert most == np.inf


def test_fewest_stocks_first_then_in_their_order() -> None:
    """By hand: the first stock alone does; without it the other two do."""
    found = list(recipes(np.array([[1.0, 1.0, 0.0], [0.5, 0.0, 1.0]]), np.array([2.0, 1.0])))
    assert found[0] == pytest.approx([2, 0, 0])
    assert found[-1] == pytest.approx([0, 2, 1])
