"""Check standards judged, and real waters set against their reference values."""

from math import sqrt
from pathlib import Path

import numpy as np
import pytest

from calibration.checks import CheckRule, Pair, agreement, check, excess_variance, reference_for
from calibration.statistics.distributions import chi2_quantile
from shared.estimate import Z95, Estimate, Part

DATA = Path(__file__).parents[1] / "data"


def pair(known: float, read: float, *, u_known: float = 0.0, u_read: float = 1.0, unit: str = "mg/L CaCO3",
         chemistry: float = 0.0) -> Pair:
    estimate = Estimate(analyte="ph" if unit == "pH" else "hardness", value=read, low=read - Z95 * u_read,
                        high=read + Z95 * u_read, unit=unit,
                        budget=(Part(name="strip chemistry", u=chemistry, shared=True),))
    return Pair("C01", known=known, u_known=u_known, read=estimate)


def test_recovery_and_zeta() -> None:
    """Recovery is a quotient: its relative variances add up (JCGM 100:2008, 5.1.6); zeta: ISO 13528:2022, 9.6."""
    judged = check(pair(60, 63, u_known=0.6, u_read=3), span=425)
    assert judged.recovery is not None
    assert judged.recovery == pytest.approx((1.05, 1.05 * sqrt((3 / 63) ** 2 + (0.6 / 60) ** 2)))
    assert judged.zeta == pytest.approx(3 / sqrt(9 + 0.36))


def test_zeta_takes_the_side_of_the_interval_that_faces_the_known_value() -> None:
    lopsided = Estimate(analyte="hardness", value=60, low=55, high=80, unit="mg/L CaCO3")
    below, above = (Pair("C", known=k, u_known=0, read=lopsided).u_read for k in (50, 70))
    assert (below, above) == pytest.approx((5 / Z95, 20 / Z95))


@pytest.mark.parametrize(("read", "u", "verdict"), [
    (61, 1.0, "pass"), (62.5, 1.0, "warning"), (63.5, 1.0, "fail"),
    (95, 20.0, "pass"), (105, 30.0, "fail"),
])
def test_verdict_follows_the_numbers(read: float, u: float, verdict: str) -> None:
    """Default rule at 60 of 0 to 425: zeta 2 and 3, and no deviation beyond 42.5, a tenth of the range."""
    assert check(pair(60, read, u_read=u), span=425).verdict == verdict


def test_the_lab_can_set_the_rule() -> None:
    strict = CheckRule(relative=0.05, of_range=0.0)
    assert check(pair(60, 64, u_read=4), span=425, rule=strict).verdict == "fail"
    assert check(pair(60, 62, u_read=4), span=425, rule=strict).verdict == "pass"


def test_no_recovery_of_nothing_nor_of_ph() -> None:
    assert check(pair(0, 2), span=425).recovery is None
    assert check(pair(7.0, 7.1, unit="pH", u_read=0.1), span=3).recovery is None


def test_a_blank_is_judged_by_the_side_that_has_a_width() -> None:
    blank = Estimate(analyte="chlorine", value=0.0, low=0.0, high=0.05, unit="mg/L Cl2")
    judged = check(Pair("C", known=0.0, u_known=0.0, read=blank), span=5)
    assert (judged.verdict, judged.zeta) == ("pass", 0.0)


def test_a_pair_without_any_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        pair(60, 61, u_read=0.0)


def test_excess_variance_of_the_vaccine_trials() -> None:
    deviation, variance = np.loadtxt(DATA / "bcg-vaccine.csv", delimiter=",", unpack=True)
    found = [excess_variance(deviation, variance, chi_square=c)
             for c in (12, chi2_quantile(0.975, 12), chi2_quantile(0.025, 12))]
    assert found == pytest.approx([0.3181, 0.1197, 1.1115], abs=5e-5)


def waters(n: int, *, bias: float, intrinsic: float, seed: int) -> list[Pair]:
    """Readings of 4 % whose strips scatter by ``intrinsic`` more about a biased value (relative)."""
    rng = np.random.default_rng(seed)
    known = rng.uniform(40, 300, n)
    read = known * (1 + bias + rng.normal(0, intrinsic, n) + rng.normal(0, 0.04, n))
    measured = known * (1 + rng.normal(0, 0.01, n))
    return [pair(float(k), float(r), u_known=0.01 * float(k), u_read=0.04 * float(k))
            for k, r in zip(measured, read, strict=True)]


def test_bias_agreement_and_the_strips_own_error_are_recovered() -> None:
    """Simulated: mean over 60 validations of 12 waters; intervals must contain the true value 95 times in 100."""
    found = [agreement(waters(12, bias=-0.08, intrinsic=0.06, seed=s)) for s in range(60)]
    good = [a for a in found if a is not None]
    assert all(a.relative and a.n == 12 for a in good)
    assert np.mean([a.bias for a in good]) == pytest.approx(-0.08, abs=0.01)
    assert np.mean([a.intrinsic**2 for a in good]) == pytest.approx(0.06**2, rel=0.2)
    assert sum(a.interval[0] <= -0.08 <= a.interval[1] for a in good) >= 52
    assert sum(a.intrinsic_below >= 0.06 for a in good) >= 52


def test_readings_that_came_out_low_do_not_weigh_more() -> None:
    """Errors of 15 % stated as at the value read: the mean bias of 300 validations of 20 waters is that put in."""
    rng, found = np.random.default_rng(346), []
    for _ in range(300):
        known = rng.uniform(40, 300, 20)
        read = known * (1.1 + rng.normal(0, 0.15, 20))
        pairs = [pair(k, r, u_read=0.15 / 1.1 * r) for k, r in zip(known.tolist(), read.tolist(), strict=True)]
        agreed, stands_for = agreement(pairs), reference_for(pairs, 165.0)
        assert agreed is not None
        assert stands_for is not None
        found.append((agreed.bias, stands_for.x))
    # Standard errors: 0.15 / sqrt(20 * 300) = 0.002, and about 0.3.
    assert np.mean(found, axis=0) == pytest.approx([0.10, 150.0], rel=0.02, abs=0.006)


def test_what_the_strip_type_states_of_its_chemistry_does_not_explain_it_away() -> None:
    plain = agreement([pair(60, r, u_read=2) for r in (50, 55, 62, 70)])
    stated = agreement([pair(60, r, u_read=sqrt(4 + 36), chemistry=6) for r in (50, 55, 62, 70)])
    assert plain is not None
    assert stated is not None
    assert stated.intrinsic == pytest.approx(plain.intrinsic)
    assert plain.intrinsic > 5 / 60


def test_ph_agrees_in_its_own_unit() -> None:
    found = agreement([pair(7.0, 7.0 + d, unit="pH", u_read=0.1) for d in (0.1, 0.2, 0.3)])
    assert found is not None
    assert not found.relative
    assert found.bias == pytest.approx(0.2)
    assert found.limits == pytest.approx((0.2 - Z95 * 0.1, 0.2 + Z95 * 0.1))


def test_a_reading_corresponds_to_a_reference_value() -> None:
    pairs = [pair(k, 1.1 * k + d, u_read=2) for k, d in ((40, 1), (80, -1), (120, 1), (160, -1), (200, 1))]
    found = reference_for(pairs, 110)
    assert found is not None
    assert found.interval is not None
    assert found.x == pytest.approx(100, abs=1)
    assert found.interval[0] < 100 < found.interval[1]
    # The least that was read is 45, the most 221: a line says nothing far from either.
    assert reference_for(pairs, 30) is reference_for(pairs, 240) is None


def test_two_waters_are_too_few() -> None:
    assert agreement([pair(60, 61), pair(70, 71)]) is None
    assert reference_for([pair(60, 61), pair(60, 62), pair(60, 63)], 60) is None
