"""Scales of a chart: each a one-to-one map of its range, and the forms mean what they are called."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.scale import Form, Scale, candidates

FORMS: tuple[Form, ...] = ("straight", "logarithmic", "binding")


@st.composite
def scales(draw: st.DrawFn) -> Scale:
    low, span = draw(st.floats(0.0, 10.0)), draw(st.floats(0.5, 1000.0))
    return Scale(form=draw(st.sampled_from(FORMS)), low=low, high=low + span, knee=draw(st.floats(0.01, 2.0)) * span)


@given(scale=scales(), share=st.floats(0.0, 1.0))
def test_value_and_position_are_inverse(scale: Scale, share: float) -> None:
    value = scale.low + share * (scale.high - scale.low)
    assert scale.value(scale.position(value)) == pytest.approx(value, rel=1e-9, abs=1e-9)
    assert scale.position(scale.value(share)) == pytest.approx(share, abs=1e-9)


@given(scale=scales())
def test_runs_from_0_to_1_and_upwards(scale: Scale) -> None:
    positions = scale.position(np.linspace(scale.low, scale.high, 65))
    assert positions[[0, -1]] == pytest.approx([0.0, 1.0], abs=1e-12)
    assert np.diff(positions).min() > 0


def test_forms_are_what_they_are_called() -> None:
    """A binding curve is half way at its knee (law of mass action), a logarithm adds the same for the same factor."""
    values = np.array([0.0, 1.0, 3.0, 7.0, 15.0])
    binding = Scale(form="binding", low=0.0, high=1e9, knee=20.0)
    assert float(binding.position(20.0)) == pytest.approx(0.5, abs=1e-6)
    logarithmic = Scale(form="logarithmic", low=0.0, high=15.0, knee=1.0)
    assert np.diff(logarithmic.position(values)) == pytest.approx(np.full(4, 0.25))
    straight = Scale(form="straight", low=0.0, high=15.0)
    assert straight.position(values) == pytest.approx(values / 15)


def test_every_candidate_spans_the_range() -> None:
    tried = candidates(6.0, 9.0)
    assert {s.form for s in tried} == set(FORMS)
    assert len(set(tried)) == len(tried)
    assert {(float(s.position(6.0)), float(s.position(9.0))) for s in tried} == {(0.0, 1.0)}


@pytest.mark.parametrize(("form", "low", "high", "knee"), [("straight", 5.0, 5.0, 0.0), ("straight", 5.0, 4.0, 0.0),
                                                           ("binding", 0.0, 5.0, 0.0), ("logarithmic", 0.0, 5.0, -1.0)])
def test_impossible_scales_are_refused(form: Form, low: float, high: float, knee: float) -> None:
    with pytest.raises(ValueError, match=r"low must be below high|knee"):
        Scale(form=form, low=low, high=high, knee=knee)
