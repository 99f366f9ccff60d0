"""What would decide: checked by reducing the uncertainty and judging again."""

from collections.abc import Callable
from typing import Any

import msgspec
import numpy as np
import pytest

from assess.criteria import criteria_for
from assess.decision import DecisionRule, PermittedRange
from assess.draws import MODEL, draw
from assess.judgement import Judge, Judgement
from assess.next_measurement import (
    Situation,
    UncertaintyShare,
    second_strip,
    suggest_measurement,
    uncertainty_shares,
)
from shared.estimate import Z95, Estimate, Part

RULE = DecisionRule()


def strip(value: float, random: float, shared: float, strips: int = 1) -> Estimate:
    """A hardness measured with several strips: only the random part shrinks (JCGM 100, 5.2)."""
    parts = (Part(name="strip", u=random / strips**0.5, shared=False), Part(name="chart", u=shared, shared=True))
    half = Z95 * float(np.hypot(parts[0].u, shared))
    return Estimate(analyte="hardness", value=value, low=value - half, high=value + half, unit="mg/L CaCO3",
                    budget=parts)


def hardness(tap: Any, estimate: Estimate) -> Judgement:
    """The hardness judged anew with this estimate in the place of the tap's."""
    inputs = msgspec.structs.replace(tap.sample, estimates=(estimate, *tap.sample.estimates[1:]))
    from assess.inputs.sample import completed

    known = completed(inputs)
    drawn = draw(known, np.random.default_rng(3), 4000)
    judged = Judge(RULE, known).judge(criteria_for(tap.equipment, tap.limits), drawn)
    return next(j for j in judged if j.id == "hardness")


@pytest.mark.parametrize(("value", "random", "shared"), [(84.0, 6.0, 1.0), (85.0, 5.0, 1.0), (97.0, 7.0, 1.5)])
def test_the_stated_number_decides(tap: Callable[..., Any], value: float, random: float, shared: float) -> None:
    made = tap()
    before = hardness(made, strip(value, random, shared))
    assert before.verdict == "inconclusive"
    more = int(before.decides.split()[1])
    assert "more strip" in before.decides
    assert hardness(made, strip(value, random, shared, strips=1 + more + 1)).verdict != "inconclusive"
    if more > 1:
        assert hardness(made, strip(value, random, shared, strips=more - 1)).verdict == "inconclusive"


def test_more_strips_do_not_reduce_a_shared_component(tap: Callable[..., Any]) -> None:
    found = hardness(tap(), strip(85.0, 0.5, 5.0))
    assert found.verdict == "inconclusive"
    assert found.decides == "Measure hardness (titration or laboratory) more exactly."


def test_the_dominant_component_is_named(tap: Callable[..., Any]) -> None:
    """Closed heating at 93 °C of a water at the limit, calcium unknown: calcium is what to measure."""
    unsure = tap(hardness="110 ± 2 mg/L CaCO3", alkalinity="60 ± 1 mg/L CaCO3", ph="7.6 ± 0.02", calcium=None)
    steam = unsure.judged()["scale at steam boiler"]
    assert steam.contributions[0].input == "calcium fraction"
    brew = tap(hardness="100 ± 1 mg/L CaCO3", alkalinity="75 ± 1 mg/L CaCO3", ph="7.6 ± 0.02",
               calcium="30 ± 0.3 mg/L").judged()["scale at brew boiler"]
    assert brew.contributions[0].input == MODEL


def test_no_measurement_is_asked_for_where_the_thermodynamic_data_are_uncertain() -> None:
    situation = Situation(PermittedRange(at_most=8.0), RULE, value=7.0, u=4.0)
    shares = (UncertaintyShare(input=MODEL, share=0.8), UncertaintyShare(input="ph", share=0.2))
    assert "Inspect the boiler" in suggest_measurement(situation, shares, {})


def test_shares_are_those_of_the_variance() -> None:
    """For y = 3a + 4b of independent unit normals the shares are 9/25 and 16/25 by hand."""
    rng = np.random.default_rng(5)
    a, b, c = rng.standard_normal((3, 20_000))
    found = {d.input: d.share for d in uncertainty_shares(3 * a + 4 * b, {"a": a, "b": b, "c": c})}
    assert found == {"b": pytest.approx(0.64, abs=0.015), "a": pytest.approx(0.36, abs=0.015)}
    assert uncertainty_shares(np.zeros(5), {"a": np.ones(5)}) == ()


@pytest.mark.parametrize(("value", "random", "shared"), [(84.0, 6.0, 1.0), (86.0, 4.0, 3.0), (92.0, 2.0, 5.0)])
def test_a_second_strip_settles_it_as_often_as_stated(value: float, random: float, shared: float) -> None:
    """Against second strips drawn one by one: the mean of both judged by the normal distribution, at most 90 mg/L."""
    rng, bounds = np.random.default_rng(11), PermittedRange(at_most=90.0)
    first = strip(value, random, shared)
    stated = second_strip(Situation(bounds, RULE, value, float(np.hypot(random, shared))), first.draw(4000, rng),
                          (UncertaintyShare(input="hardness", share=1.0),), {"hardness": first})
    assert stated is not None
    # The second strip has the first one's shared error and a random error of its own.
    means = value + (rng.normal(0, random, 4000) - rng.normal(0, random, 4000)) / 2
    u = float(np.hypot(random / 2**0.5, shared))
    settled = np.mean([RULE.verdict(bounds.normal_probability(m, u)) != "inconclusive" for m in means])
    assert stated == pytest.approx(settled, abs=0.05)


def test_the_judgement_states_the_benefit_of_a_second_strip(tap: Callable[..., Any]) -> None:
    found = hardness(tap(), strip(84.0, 6.0, 1.0))
    assert found.second_strip is not None
    assert 0.05 < found.second_strip < 0.95
    assert f"A second strip would settle this with {found.second_strip_percent} % probability." in found.decides
