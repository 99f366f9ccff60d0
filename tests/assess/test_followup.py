"""A reading behind the unit, made from a known state of it: that state must be found."""

from collections.abc import Callable
from typing import Any

import pytest

from assess.followup import follow_up
from assess.inputs.sample import Sample
from assess.inputs.typed import sample_from_typed
from assess.treatment.options import treatment_of
from assess.treatment.treatment import Treatment
from assess.treatment.unit import load_units
from shared.errors import InputError

UNITS = load_units()
HARD = {"hardness": "200 ± 6 mg/L CaCO3", "alkalinity": "170 ± 5 mg/L CaCO3", "calcium": "60 ± 1 mg/L"}
EXCHANGE = treatment_of("weak-acid-exchange", UNITS["weak-acid-exchange"])
OSMOSIS = treatment_of("osmosis-blend", UNITS["osmosis-blend"])


def behind(hardness: float, alkalinity: float, chloride: float) -> Sample:
    return sample_from_typed({"hardness": f"{hardness} ± 5 mg/L CaCO3", "alkalinity": f"{alkalinity} ± 5 mg/L CaCO3",
                              "chloride": f"{chloride} ± 3 mg/L"})


#: By hand, mass balance: the exchanger takes 90 % of the alkalinity (170) of what goes through it, in eq of
#: hardness alike; the membrane holds back 95 % of every ion.
def exchanged(bypass: float) -> Sample:
    taken = 0.9 * 170 * (1 - bypass)
    return behind(200 - taken, 170 - taken, 15)


def blended(tap_share: float) -> Sample:
    left = tap_share + 0.05 * (1 - tap_share)
    return behind(200 * left, 170 * left, 15 * left)


@pytest.mark.parametrize(("treatment", "setting", "after", "state"), [
    (EXCHANGE, 0.3, exchanged(0.3), "working"),
    (EXCHANGE, 0.3, exchanged(0.6), "setting-off"),
    (EXCHANGE, 0.3, exchanged(0.0), "setting-off"),
    (EXCHANGE, 0.3, behind(200, 170, 15), "exhausted"),
    (EXCHANGE, 0.3, behind(100, 170, 15), "not-explained"),
    (OSMOSIS, 0.2, blended(0.2), "working"),
    (OSMOSIS, 0.2, blended(0.5), "setting-off"),
    (OSMOSIS, 0.2, behind(200, 170, 15), "exhausted"),
])
def test_the_state_of_the_unit_is_found(tap: Callable[..., Any], treatment: Treatment, setting: float, after: Sample,
                                        state: str) -> None:
    found = follow_up(tap(**HARD).bench(), treatment, setting=setting, after=after)
    assert found.state == state
    assert found.sentence


@pytest.mark.parametrize(("treatment", "after", "acts_like"), [(EXCHANGE, exchanged(0.6), 0.6),
                                                                (OSMOSIS, blended(0.5), 0.5)])
def test_the_setting_it_acts_like_is_found(tap: Callable[..., Any], treatment: Treatment, after: Sample,
                                           acts_like: float) -> None:
    found = follow_up(tap(**HARD).bench(), treatment, setting=0.2, after=after)
    assert found.acts_like == pytest.approx(acts_like, abs=0.06)


def test_carbon_that_lets_chlorine_through_is_exhausted(tap: Callable[..., Any]) -> None:
    carbon = treatment_of("carbon-filter", UNITS["carbon-filter"])
    bench = tap(chlorine="0.8 ± 0.1 mg/L").bench()
    spent = sample_from_typed({"chlorine": "0.75 ± 0.1 mg/L"})
    sound = sample_from_typed({"chlorine": "0.02 ± 0.05 mg/L"})
    assert follow_up(bench, carbon, setting=None, after=spent).state == "exhausted"
    assert follow_up(bench, carbon, setting=None, after=sound).state == "working"


def test_nothing_to_compare_is_refused(tap: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match="nothing was read behind the unit"):
        follow_up(tap(**HARD).bench(), EXCHANGE, setting=0.3, after=sample_from_typed({"sodium": "20 mg/L"}))
