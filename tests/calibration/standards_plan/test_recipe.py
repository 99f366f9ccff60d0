"""Whatever is wanted of whichever stocks, there is a recipe, and it gives what it does not say it misses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import linprog

from calibration.standards_plan.preparation import Preparation, prepare
from calibration.standards_plan.recipe import Wish, _reachable, reach, recipes
from calibration.standards_plan.salts import amount
from calibration.standards_plan.uncertainty import nominal
from shared.errors import FileError
from shared.water import Vector
from tests.loops import some

HIGHEST = {"hardness": 400.0, "chloride": 500.0, "alkalinity": 300.0, "chlorine": 5.0, "sodium": 200.0}


def test_a_recipe_for_every_wish(made: Preparation) -> None:
    """2000 random wishes, ends and zeros among them; the amounts by the compositions of the stocks themselves."""
    rng, stocks, checked = np.random.default_rng(4), list(made.shelf.stocks.values()), 0
    flask = next(s.recipe.made for s in made.solutions if s.recipe)
    for _ in range(2000):
        chosen = [stocks[i] for i in rng.permutation(len(stocks))[: rng.integers(2, 6)]]
        analytes = rng.permutation(list(HIGHEST))[: rng.integers(1, 6)].tolist()
        row = {a: float(rng.choice([0.0, rng.uniform(0, HIGHEST[a]), HIGHEST[a]])) for a in analytes}
        held = {a for stock in chosen for a in row if float(amount(stock.composition(nominal), a)) > 0}
        if any(row[a] > 0 for a in row if a not in held):
            with pytest.raises(FileError, match="no stock of this family contains"):
                _reachable(Wish(row, None, {}, flask), chosen, where="x")
            continue
        amounts, wanted, missed = _reachable(Wish(row, None, {}, flask), chosen, where="x")
        volumes = next(recipes(amounts, wanted))
        bent = {m.analyte: m.reached for m in missed}
        for analyte, level in some(row.items()):
            brings = [float(amount(s.composition(nominal), analyte)) for s in chosen]
            got = float(np.dot(brings, volumes))
            assert got / flask.flask.volume_ml == pytest.approx(bent.get(analyte, level), rel=5.1e-3, abs=1e-6)
        checked += 1
    assert checked > 500


def test_a_floor_above_and_a_ceiling_below(plan: Callable[..., Path]) -> None:
    """With calcium chloride alone chloride is 0.70845 of the hardness (2 x 35.453 / 100.086), no more, no less."""
    made = prepare(plan(('stocks = ["calcium", "magnesium", "salt"]', 'stocks = ["calcium"]')))
    missed = {s.id: s.recipe.missed for s in made.solutions if s.recipe and s.id in ("H01", "H10")}
    assert [(m.wanted, m.reached, m.which) for m in missed["H01"]] == [(90, 0, "most")]
    assert [(m.wanted, m.which) for m in missed["H10"]] == [(250, "least")]
    assert missed["H10"][0].reached == pytest.approx(0.70845 * 425, rel=1e-4)


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
    bound = -highest.fun if highest.status == 0 else np.inf
    assert most == pytest.approx(bound, abs=1e-5, rel=1e-5)


def test_fewest_stocks_first_then_in_their_order() -> None:
    """By hand: the first stock alone does; without it the other two do."""
    found = list(recipes(np.array([[1.0, 1.0, 0.0], [0.5, 0.0, 1.0]]), np.array([2.0, 1.0])))
    assert found[0] == pytest.approx([2, 0, 0])
    assert found[-1] == pytest.approx([0, 2, 1])
