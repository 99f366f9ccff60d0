"""Replicates of one sample: what is combined, reported and rejected."""

from __future__ import annotations

from collections.abc import Callable
from math import erfc
from pathlib import Path

import msgspec
import numpy as np
import pytest

import stripread
from calibration.chart import Chart
from calibration.standards import read_standards
from shared.errors import InputError, MismatchError
from shared.estimate import Estimate, Part
from shared.profile import PrintProfile
from stripread.reading.combine import DISAGREE, SAME_PARTS, STRIP_PART, CombinedReading, combine
from stripread.reading.manual_location import points_of
from stripread.reading.pooling import SplitNormals
from stripread.reading.read import read_photo
from stripread.reading.result import Light, PadReading, Provenance, Reading
from stripread.report.page import JointSheet
from tests.photographs import truth_of

BUDGET = (("pad pixels", 2.0, False), ("lighting mismatch", 1.5, True), ("chart", 2.0, True), (STRIP_PART, 1.0, False))


def reading(name: str, value: float | None, *, chart: str = "c1", flags: tuple[str, ...] = ()) -> Reading:
    """A photograph of one hardness pad; None: the pad was refused."""
    u = sum(u**2 for _, u, _ in BUDGET) ** 0.5
    pad = PadReading(
        analyte="hardness", unit="mg/L CaCO3", lab=(50.0, 0.0, 0.0), lab_covariance=None, px=(0.0, 0.0),
        outline_px=((0.0, 0.0),) * 4, status="no-result" if value is None else "measured", value=value,
        low=None if value is None else value - 1.96 * u, high=None if value is None else value + 1.96 * u,
        flags=flags, budget=tuple(Part(name=n, u=u, shared=s) for n, u, s in BUDGET), reason="" if value else "covered")
    made = Provenance(software="", photo_sha256=name, pixels_sha256=name, chart=chart, batch=chart, profile="")
    return Reading(photo=name, status="no-result" if value is None else "measured", reason=pad.reason, flags=(),
                   provenance=made, pads=(pad,))


def test_photographs_of_one_standard(samples: Path, sample_chart: Chart, sample_profile: PrintProfile) -> None:
    """Truth of the rendered samples: check standards held, narrower than either photograph alone."""
    rows = read_standards(samples / "standards" / "standards.csv", {p.analyte: p.unit for p in sample_chart.strip.pads})
    solution = "H05"
    rows = tuple(r for r in rows if r.standard == solution)
    singles = [read_photo(r.photo, sample_chart, [sample_profile]) for r in rows]
    assert len(singles) > 1
    (hardness,) = [e for e in combine(singles).values() if e.analyte == "hardness"]
    alone = [e.high - e.low for s in singles for e in s.values() if e.analyte == "hardness"]
    assert hardness.low <= rows[0].certified["hardness"].value <= hardness.high
    assert hardness.high - hardness.low < min(alone)
    names = {p.name for p in hardness.budget}
    assert {STRIP_PART, *SAME_PARTS} <= names, "the parts named here are those that a reading has"


def test_the_three_calls_in_python(samples: Path, sample_chart: Chart, sample_profile: PrintProfile) -> None:
    """Read, one of two by hand at the places of the sample's truth, combine, assess."""
    photos = [samples / "standards" / f"H05-{light}.jpg" for light in ("window", "cool-led")]
    truth = truth_of(photos[0])
    hand = stripread.ManualLocation(corners=points_of(np.array(truth["card_corners_px"])))
    read = [stripread.read_photo(photos[0], sample_chart, sample_profile, manual=hand),
            stripread.read_photo(photos[1], sample_chart, sample_profile)]
    assert [bool(r.placed_by_hand) for r in read] == [True, False]
    joint = stripread.combine(read)
    assert len(joint.values()) == 5
    assert stripread.assess(joint).judgements


def test_what_cannot_be_assessed_is_named() -> None:
    with pytest.raises(TypeError, match="takes a Reading or a CombinedReading, found dict"):
        stripread.assess({"hardness": "60 mg/L CaCO3"})  # type: ignore[arg-type]


def test_disagreement_beyond_the_budget_is_reported_and_widens_the_interval() -> None:
    """Chi-square by hand: what may differ has a variance of 2^2 + 1.5^2 + 1^2 = 7.25; 1 and 2 degrees of freedom."""
    close, far = (combine([reading("a", 100.0), reading("b", other)]) for other in (104.0, 112.0))
    assert [c.pads[0].consistency.chi_square for c in (close, far) if c.pads[0].consistency] == pytest.approx(
        [16 / 2 / 7.25, 144 / 2 / 7.25], rel=1e-3)
    # Tail of chi-square on one degree of freedom at 1.1034 and 9.931 (scipy.stats.chi2.sf).
    assert [c.pads[0].consistency.probability for c in (close, far) if c.pads[0].consistency] == pytest.approx(
        [0.2935, 0.001625], rel=0.01)
    assert close.pads[0].note == ""
    assert "differ by more than their uncertainties explain" in far.pads[0].note
    assert "farthest" not in far.pads[0].note, "two cannot tell which of them"
    width = [(c.pads[0].high or 0) - (c.pads[0].low or 0) for c in (close, far)]
    assert width[1] > 1.5 * width[0]


@pytest.mark.parametrize(("first", "second", "common"), [
    ({"A": 1.0}, {"A": 1.0}, 1.0), ({"A": 1.0}, {"D65": 1.0}, 0.45),
    ({"A": 0.6, "D65": 0.4}, {"A": 0.4, "D65": 0.6}, 0.89)])
def test_mismatch_averages_as_far_as_the_lamps_differ(first: dict[str, float], second: dict[str, float],
                                                      common: float) -> None:
    """By hand: 45 % of the variance 1.5^2 is common, more by 55 % of the sum of the smaller probabilities (0.8)."""
    lit = [msgspec.structs.replace(
        reading(name, 100.0), light=Light(nearest="A", colour_residual=0.0, unevenness=0.0, lamps=lamps))
        for name, lamps in (("a", first), ("b", second))]
    parts = {p.name: p.u for p in combine(lit).pads[0].budget}
    assert parts["lighting mismatch"] == pytest.approx(1.5 * common**0.5)
    assert parts.get("lighting mismatch of the lamp", 0.0) == pytest.approx(1.5 * ((1 - common) / 2) ** 0.5)


def test_a_probability_below_the_last_digit_of_one_is_not_zero() -> None:
    """Chi-square by hand, 100^2 / 2 / 7.25 = 689.66 on one degree of freedom: its tail is erfc(sqrt(689.66 / 2))."""
    consistency = combine([reading("a", 100.0), reading("b", 200.0)]).pads[0].consistency
    assert consistency is not None
    assert consistency.probability == pytest.approx(erfc((consistency.chi_square / 2) ** 0.5), rel=1e-6)
    assert 0.0 < consistency.probability < 1e-100


def test_three_photographs_show_which_is_the_outlier() -> None:
    values = {"a": 100.0, "b": 101.0, "c": 100.4, "d": 130.0}
    pad = combine([reading(n, v) for n, v in values.items()]).pads[0]
    assert pad.consistency is not None
    assert (pad.consistency.farthest, pad.consistency.grubbs) == ("d", "outlier")
    assert "d is farthest from the mean" in pad.note


def test_replicates_as_their_budgets_say_are_called_so() -> None:
    """Of sets drawn from the budgets under one light no more than 5 % are said to disagree, to 4 standard errors."""
    rng, sets = np.random.default_rng(3), 300
    printed = 0
    for _ in range(sets):
        shared = 100 + 2.5 * rng.standard_normal()
        found = combine([reading(str(i), float(shared + 5**0.5 * rng.standard_normal())) for i in range(3)]).pads[0]
        printed += bool(found.note)
    assert printed / sets < DISAGREE + 4 * (DISAGREE * (1 - DISAGREE) / sets) ** 0.5


def test_photographs_of_one_strip_share_its_scatter() -> None:
    pair = [reading("a", 100.0), reading("b", 100.0)]
    one, two = combine(pair, same_strip=True).pads[0], combine(pair).pads[0]
    parts = [next(p for p in pad.budget if p.name == STRIP_PART) for pad in (one, two)]
    assert [p.u for p in parts] == pytest.approx([1.0, 0.5**0.5])
    assert [p.shared for p in parts] == [True, False]


def test_photographs_without_a_result_are_named_and_excluded() -> None:
    some = combine([reading("a", 100.0), reading("b", None)])
    assert [(o.photo, o.why) for o in some.left_out] == [("b", "covered")]
    assert (some.status, some.pads[0].value, some.pads[0].photos) == ("measured", 100.0, ("a",))
    none = combine([reading("a", None), reading("b", None)])
    assert (none.status, none.pads) == ("no-result", ())
    assert none.reason


def test_a_photograph_none_of_whose_pads_has_a_result_is_not_counted() -> None:
    blank = [msgspec.structs.replace(reading(name, None), status="measured", reason="") for name in "bcde"]
    found = combine([reading("a", 100.0), *blank])
    assert [o.photo for o in found.left_out] == ["b", "c", "d", "e"]
    assert found.left_out[0].why == "covered"
    assert JointSheet(found).title == "1 of 5 photographs, one strip each"


def test_flags_of_any_photograph_remain() -> None:
    pad = combine([reading("a", 100.0, flags=("late",)), reading("b", 100.0, flags=("below-range",))]).pads[0]
    assert pad.flags == ("late",), "whether the joint value is below the range is decided anew"


def test_json_survives_a_round_trip() -> None:
    made = combine([reading("a", 100.0), reading("b", 104.0)])
    assert msgspec.json.decode(msgspec.json.encode(made), type=CombinedReading) == made


@pytest.mark.parametrize(("readings", "error", "says"), [
    (list, InputError, "nothing to combine"),
    (lambda: [reading("a", 1.0), reading("a", 2.0)], InputError, "listed twice"),
    (lambda: [reading("a", 1.0), reading("b", 2.0, chart="c2")], MismatchError, "different charts"),
], ids=["none", "twice", "two charts"])
def test_what_is_no_set_of_replicates(readings: Callable[[], list[Reading]], error: type[InputError],
                                      says: str) -> None:
    with pytest.raises(error, match=says):
        combine(readings())


def test_a_bound_far_below_a_value_counts_for_nothing() -> None:
    """A pad above the range and one measured far below contradict each other; the weights stay finite and sum to 1."""
    part = Part(name="pad pixels", u=1.0, shared=False)
    measured = Estimate(analyte="hardness", unit="mg/L CaCO3", value=50.0, low=48.0, high=52.0, budget=(part,))
    bound = Estimate(analyte="hardness", unit="mg/L CaCO3", status="above", value=425.0, low=423.0, high=2000.0,
                     budget=(part,))
    for x in (50.0, 200.0, 425.0):
        weights = SplitNormals((measured, bound)).weights(x)
        assert np.isfinite(weights).all()
        assert weights.sum() == pytest.approx(1.0)
