"""Conformance probabilities against the worked examples of JCGM 106:2012, and what the rule makes of them."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from assess.decision import DecisionRule, PermittedRange
from shared.errors import InputError

#: JCGM 106:2012, 7.2 and 7.4: a breakdown voltage, a bandwidth, a two-sided tolerance. Numbers of the examples
#: from memory, probabilities rounded to two digits as printed.
JCGM_106 = [
    (PermittedRange(at_most=-5.40), -5.47, 0.05, 0.92),
    (PermittedRange(at_least=490.0), 509.7, 8.6, 0.99),
    (PermittedRange(12.5, 16.3), 13.6, 1.8, 0.66),
]


@pytest.mark.parametrize(("bounds", "value", "u", "expected"), JCGM_106)
def test_conformance_probability_of_a_normal_estimate(
    bounds: PermittedRange, value: float, u: float, expected: float
) -> None:
    assert bounds.normal_probability(value, u) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(("bounds", "value", "u", "expected"), JCGM_106)
def test_draws_give_the_same_probability(bounds: PermittedRange, value: float, u: float, expected: float) -> None:
    draws = np.random.default_rng(1).normal(value, u, 40_000)
    assert bounds.permits(draws).mean() == pytest.approx(expected, abs=0.0125)


def test_the_guard_band_of_a_five_percent_risk_is_1_64_u() -> None:
    # JCGM 106:2012, 8.3 and ILAC-G8 (from memory): w = 1.645 u bounds the risk to 5 %, w = U to 2.5 %.
    assert DecisionRule(0.95).guard_band == pytest.approx(1.645, abs=0.001)
    assert DecisionRule.guarded(1.0).confidence == pytest.approx(0.975, abs=1e-9)
    assert DecisionRule.guarded(0.0).confidence == pytest.approx(0.5)


@given(st.floats(0.5, 0.999), st.floats(0.01, 5.0), st.floats(-20.0, 20.0))
def test_a_value_inside_the_guarded_limit_is_in_and_only_such(confidence: float, u: float, value: float) -> None:
    """The acceptance limit T - w of JCGM 106, 8.3, by a second way: the probability."""
    rule, limit = DecisionRule(confidence), 3.0
    acceptance = limit - rule.guard_band * u
    assume(abs(value - acceptance) > 1e-6 * u)
    verdict = rule.verdict(PermittedRange(at_most=limit).normal_probability(value, u))
    assert (verdict == "within-limits") == (value < acceptance)


def test_simple_acceptance_leaves_nothing_inconclusive() -> None:
    rule = DecisionRule(0.5)
    assert {rule.verdict(p) for p in np.linspace(0, 1, 101)} == {"within-limits", "out-of-limits"}
    assert "Simple acceptance" in rule.statement


@pytest.mark.parametrize("confidence", [0.3, 1.0, float("nan")])
def test_a_rule_that_cannot_decide_is_refused(confidence: float) -> None:
    with pytest.raises(InputError, match="or more and below 1"):
        DecisionRule(confidence)


def test_without_uncertainty_the_limit_itself_is_permitted() -> None:
    assert PermittedRange(at_most=8.0).normal_probability(8.0, 0.0) == 1.0
    assert PermittedRange(at_most=8.0).normal_probability(8.0001, 0.0) == 0.0
